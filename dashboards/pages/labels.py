"""Labels: a QR code a sump, printed and stuck on the machine, that opens this sump's To do."""

from __future__ import annotations

import segno
from markupsafe import Markup
from starlette.responses import Response

from dashboards.desk import Ask
from dashboards.render import page


async def show(ask: Ask) -> Response:
    base = (ask.desk.file.web.base_url or str(ask.request.base_url)).rstrip("/")
    labels = [(spec, address := f"{base}/todo/{spec.id}", picture(address)) for spec in ask.desk.site.sumps.values()]
    return page(ask, "labels.html", labels=labels, told=ask.desk.file.web.base_url is not None, base=base)


def picture(address: str) -> Markup:
    """The code as SVG in the page: level M outlives a scratch and an oily thumb; four modules of quiet around."""
    code = segno.make(address, error="m", micro=False)
    return Markup(code.svg_inline(border=4, omitsize=True, svgclass="qr", lineclass=None, dark="#000", light="#fff"))
