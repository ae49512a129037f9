"""What programs ask: the live stream, and whether this process is well."""

from __future__ import annotations

from starlette.exceptions import HTTPException
from starlette.responses import JSONResponse, Response, StreamingResponse

from dashboards.desk import Ask
from dashboards.live_stream import LiveStream


async def live(ask: Ask) -> Response:
    stream: LiveStream = ask.request.app.state.stream
    if stream.full():
        raise HTTPException(503, "Too many pages are open.")
    headers = {"Cache-Control": "no-store", "X-Accel-Buffering": "no"}
    return StreamingResponse(stream.watch(ask), media_type="text/event-stream", headers=headers)


async def healthz(ask: Ask) -> Response:
    """200 while this process looks at its files in turn; says nothing that a stranger should not know."""
    stream: LiveStream = ask.request.app.state.stream
    ask.desk.queries.last_seq()
    body = {"ok": True, "journal": ask.desk.queries.fault is None, "agent": not ask.live.silent, "looks": stream.turns}
    return JSONResponse(body, headers={"Cache-Control": "no-store"})
