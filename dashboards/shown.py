"""What a person saw when deciding, as the form carries it sealed and the row keeps it."""

from __future__ import annotations

from dashboards.desk import Ask
from dashboards.instructions import Instruction


def shown(ask: Ask, one: Instruction) -> dict[str, object]:
    """What a person saw when deciding: the instruction, the belief, the moment."""
    belief = ask.belief(one.spec.id)
    return {"instruction": one.id, "state": one.state, "advice": one.advice, "belief": belief, "time": ask.now_s}
