"""How many tries a guesser needs for a secret, in a process that ends: the lists of common passwords take 15 MB.

`python -m dashboards.guessable` reads `{"secret": …, "known": [names]}` and prints the logarithm of the tries.
"""

from __future__ import annotations

import json
import subprocess
import sys

LOOKED_AT = 72  # characters; more only take the estimator's time
DEADLINE_S = 30.0  # of an old card, too


def tries_log10(secret: str, known: tuple[str, ...] = ()) -> float:
    """log10 of the guesses that find `secret`, by lists of common passwords, names, words, dates and keyboard rows.

    `known` are words that a guesser of this person would begin with. Raises subprocess.SubprocessError when the
    child does not answer.
    """
    told = json.dumps({"secret": secret[:LOOKED_AT], "known": known})
    child = [sys.executable, "-I", "-m", __name__]
    done = subprocess.run(child, input=told, text=True, capture_output=True, timeout=DEADLINE_S, check=True)
    return float(done.stdout)


def main() -> None:
    from zxcvbn import zxcvbn  # here and nowhere else: its lists stay in memory

    asked = json.load(sys.stdin)
    print(float(zxcvbn(asked["secret"], user_inputs=asked["known"])["guesses_log10"]))


if __name__ == "__main__":
    main()
