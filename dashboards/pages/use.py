"""Use: what the sumps used and how they were kept, to be read in ten minutes on Monday, and printed."""

from __future__ import annotations

from math import hypot

from starlette.responses import RedirectResponse, Response

from dashboards import used
from dashboards.desk import Ask
from dashboards.language import N_, _, decimal
from dashboards.render import page
from dashboards.show import NOTHING, Unreadable, number
from dashboards.used import Span, SumpUse

SPANS = {"week": N_("This week"), "last": N_("Last week"), "month": N_("28 days"), "year": N_("A year")}
MOST_STOCK_L = 100_000.0


async def show(ask: Ask, problem: str | None = None, status: int = 200) -> Response:
    key = ask.request.query_params.get("span", "week")
    span = used.span_of(key if key in SPANS else "week", ask.now_s, ask.show)
    prices = {sump.id: sump.fluid.price_per_l for sump in ask.desk.file.sump}
    rows = [used.of_sump(ask, spec, span, prices.get(spec.id)) for spec in ask.desk.site.sumps.values()]
    fluids = sorted({sump.fluid.name for sump in ask.desk.file.sump if sump.fluid.name})
    return page(
        ask, "use.html", status, problem=problem, typed=ask.form, span=span, spans=SPANS, rows=rows, total=_total(rows),
        asked=used.asked(ask, span), alert_rate=used.alert_rate(ask, span.t0, span.t1), stocks=used.stocks(ask),
        fluids=fluids, money=_money(ask), share=share, days=_days(ask, span), number=decimal,
        lead_days=ask.desk.file.stock.lead_days,
    )  # fmt: skip


def _days(ask: Ask, span: Span) -> str:
    return _("{first} to {last}", first=ask.show.date(span.t0), last=ask.show.date(span.t1 - 1.0))


def _total(rows: list[SumpUse]) -> tuple[float, float, float | None, float, float]:
    """Litres of mix and of concentrate, and the cost, of all sumps; no cost where one has no price; sds of litres."""
    costs = [row.cost for row in rows]
    cost = None if None in costs else sum(c for c in costs if c is not None)
    sds = hypot(*(row.spread[0] for row in rows)), hypot(*(row.spread[1] for row in rows))
    return sum(row.poured.mix_l for row in rows), sum(row.poured.concentrate_l for row in rows), cost, *sds


def _money(ask: Ask):  # type: ignore[no-untyped-def]
    currency = ask.desk.file.stock.currency

    def written(value: float | None) -> str:
        return NOTHING if value is None else f"{decimal(value, 2)} {currency}".strip()

    return written


def share(row: SumpUse, hours: float) -> str:
    found = row.held.share(hours)
    return NOTHING if found is None else f"{decimal(100 * found, 0)} %"


async def write(ask: Ask) -> Response:
    """Concentrate counted or delivered."""
    what, fluid = ask.form.get("what", ""), ask.form.get("fluid", "")[:100]
    show_ = ask.show
    try:
        if what not in ("counted", "delivered"):
            raise Unreadable(_("Say whether it was counted or delivered."))
        title = _("Volume, {unit}", unit=show_.volume_unit)
        volume = number(ask.form.get("volume", ""), title, 0.0, show_.in_unit(MOST_STOCK_L))
    except Unreadable as why:
        return await show(ask, str(why), 422)
    ask.put("stock", "", {"what": what, "fluid": fluid, "volume_l": round(show_.to_litres(volume), 3)})
    return RedirectResponse("/use?said=written", 303)
