"""How does a phone get the page for the pocket straight from the app, and keep it?

Behind the door like everything else: `/pocket/?site=NAME` is the page of a planting as `diagnose pocket` writes it,
`/pocket/keeper.js` what keeps it on the phone where the app is served over https, `/pocket/authority.crt` what the phone
must trust for that.
"""

from __future__ import annotations

from datetime import date
from functools import partial
from pathlib import Path

from anyio import to_thread
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route

from diagnose.cannot_use import CannotUse
from diagnose.certificate import authority
from diagnose.pocket.page import KEEPER_POLICY, keeper_script, page_of
from diagnose.settings import settings

LONGEST_NAME = 200  # of a planting, as an address brings it; our choice


async def _page(request: Request) -> Response:
    site = request.query_params.get("site", "")
    if not 0 < len(site) <= LONGEST_NAME:
        return PlainTextResponse("Name the planting: /pocket/?site=NAME. The app's page Settings has the address.\n", 404)
    try:
        page = await to_thread.run_sync(partial(page_of, site, settings().place, settings().log, date.today(), served=True))
    except CannotUse as reason:
        return PlainTextResponse(f"{reason}\n", 422)
    # its own policy stands in the page, so that it holds where the phone kept it, too
    return Response(page.html, media_type="text/html", headers={"x-pocket-page": "1", "cache-control": "no-cache"})


async def _keeper(_request: Request) -> Response:
    return Response(keeper_script(), media_type="text/javascript",
                    headers={"content-security-policy": KEEPER_POLICY, "cache-control": "no-cache"})


async def _authority(_request: Request) -> Response:
    file: Path | None = authority()
    if file is None:
        return PlainTextResponse("The app is not served over https.\n", 404)
    return Response(file.read_bytes(), media_type="application/x-x509-ca-cert",
                    headers={"content-disposition": 'attachment; filename="browse-diagnosis.crt"'})


ROUTES = [Route("/pocket/", _page), Route("/pocket/keeper.js", _keeper), Route("/pocket/authority.crt", _authority)]
