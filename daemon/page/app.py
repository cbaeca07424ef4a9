"""The page's addresses, who may open them, and what is said when something fails."""

import logging
from collections.abc import Awaitable, Callable
from functools import partial

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.middleware.gzip import GZipMiddleware
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.routing import Route
from starlette.types import ASGIApp

from daemon.drawing_inks import page_sheet
from daemon.logbook import CannotRecord, LogbookDamaged, LogbookNewer, NoLogbook, TooSlow
from daemon.orders import OrderError
from daemon.page import answers, clutches, views
from daemon.page.answers import NotAFormError
from daemon.page.desk import HERE, NothingYetError, PageDesk, Who
from daemon.page.guard import Guard, own_names
from daemon.page.login import cookie_name
from daemon.page.views import Asked, NotFoundError

log = logging.getLogger("ovigil.page")

Reply = Callable[[Request], Awaitable[Response]]

_KINDS = {"page.css": "text/css", "page.js": "text/javascript", "mark.svg": "image/svg+xml"}
_AGAIN = '<!doctype html><html lang="en"><meta http-equiv="refresh" content="0"><title>One moment</title>'

_TROUBLES: dict[type[Exception], tuple[int, str, str]] = {
    NotFoundError: (404, "Not here", ""),
    NotAFormError: (400, "Not understood", ""),
    OrderError: (400, "Not understood", ""),
    TooSlow: (503, "That took too long", "Choose a shorter window."),
    NothingYetError: (
        503,
        "Nothing is recorded yet",
        "The watch has not run here. Start it with: ovigil run",
    ),
    NoLogbook: (503, "Nothing is recorded yet", "The watch has not run here. Start it with: ovigil run"),
    CannotRecord: (503, "The logbook does not answer", "Try again in a moment."),
    LogbookDamaged: (503, "The logbook is damaged", "Restore a backup: ovigil backup --restore"),
    LogbookNewer: (503, "The logbook is newer than this program", "Upgrade the program."),
}


class Entrance:
    """Turns a page into an answer to a request: who asks, whether they may, what failed.

    Args:
        desk: What makes the pages.
        open_reading: Reading needs no login.
    """

    def __init__(self, desk: PageDesk, *, open_reading: bool) -> None:
        self._desk = desk
        self._open = open_reading

    def reads(self, view: Callable[[PageDesk, Asked], Response]) -> Reply:
        """Make a page that is read."""

        async def reply(request: Request) -> Response:
            return await self._desk.make(partial(self._read, request, view))

        return reply

    def orders(self, request: Request, body: bytes) -> Response:
        """Take an order: from those who are logged in."""
        who = self._who(request)
        asked = views.asked_of(request, who)
        form = answers.form_of(request.headers.get("content-type", ""), body)
        if not who.by:
            back = answers.local_path(form.get("next", "/"))
            words = "To answer, log in once on this device."
            return answers.login_page(self._desk, asked, words, status=401, back=back)
        return answers.order(self._desk, asked, form)

    def logs_in(self, request: Request, body: bytes) -> Response:
        """Take a login."""
        form = answers.form_of(request.headers.get("content-type", ""), body)
        return answers.login(self._desk, views.asked_of(request, self._who(request)), form)

    def logs_out(self, request: Request, body: bytes) -> Response:
        """Take a logout: of this device, or of every one."""
        form = answers.form_of(request.headers.get("content-type", answers.FORM), body)
        return answers.logout(self._desk, self._who(request), every="every" in form)

    def asks_login(self, request: Request) -> Response:
        """Show the login."""
        asked = views.asked_of(request, self._who(request))
        back = answers.local_path(asked.query.get("next", "/"))
        return answers.login_page(self._desk, asked, "With the passcode of this room.", back=back)

    def takes(self, work: Callable[[Request, bytes], Response]) -> Reply:
        """Make an address that takes a form."""

        async def reply(request: Request) -> Response:
            body = await request.body()
            return await self._desk.make(partial(self._safely, request, partial(work, request, body)))

        return reply

    def _who(self, request: Request) -> Who:
        """Say who asks."""
        token = request.cookies.get(cookie_name(secure=self._desk.room.tls is not None), "")[:200]
        session = self._desk.door.session(token)
        address = request.client.host if request.client else ""
        return Who(session.by if session else "", address, token)

    def _read(self, request: Request, view: Callable[[PageDesk, Asked], Response]) -> Response:
        who = self._who(request)
        if who.by or self._open:
            return self._safely(request, lambda: view(self._desk, views.asked_of(request, who)))
        if request.headers.get("sec-fetch-site") == "cross-site":
            # A link in a message: the browser keeps a strict cookie back on the first step.
            return HTMLResponse(_AGAIN)
        asked = views.asked_of(request, who)
        words = "This room is read with its passcode."
        return answers.login_page(self._desk, asked, words, status=401, back=asked.path)

    def _safely(self, request: Request, work: Callable[[], Response]) -> Response:
        """Do it, or say in plain words what is in the way."""
        try:
            return work()
        except tuple(_TROUBLES) as error:
            status, heading, words = next(said for kind, said in _TROUBLES.items() if isinstance(error, kind))
            return self.trouble(request, status, heading, words or str(error))

    def trouble(self, request: Request, status: int, heading: str, words: str) -> Response:
        """Show what is in the way."""
        asked = views.asked_of(request, Who())
        said = {"title": heading, "heading": heading, "words": words}
        answer = views.page(self._desk, asked, "error", said, None)
        answer.status_code = status
        return answer


def static_routes() -> list[Route]:
    """Give our own style, script and mark; read once."""
    files = {name: ((HERE / "static" / name).read_text("utf-8"), kind) for name, kind in _KINDS.items()}
    files["ink.css"] = (page_sheet(), "text/css")

    async def give(request: Request) -> Response:
        text, kind = files[request.url.path.rpartition("/")[2]]
        return Response(text, media_type=kind, headers={"cache-control": "max-age=600"})

    return [Route(f"/static/{name}", give, methods=["GET"]) for name in files]


def routes(door: Entrance, desk: PageDesk) -> list[Route]:
    """Give every address."""
    pages = {**views.PAGES, **clutches.PAGES}
    ordered = sorted(pages.items(), key=lambda item: (-item[0].count("/"), "." not in item[0]))
    found = [Route(path, door.reads(view), methods=["GET"]) for path, view in ordered]

    async def ask(request: Request) -> Response:
        return await desk.make(partial(door.asks_login, request))

    found += [
        Route("/login", ask, methods=["GET"]),
        Route("/login", door.takes(door.logs_in), methods=["POST"]),
        Route("/logout", door.takes(door.logs_out), methods=["POST"]),
        Route("/orders", door.takes(door.orders), methods=["POST"]),
    ]
    return found + static_routes()


def build(desk: PageDesk, host: str) -> ASGIApp:
    """Put the page together.

    Args:
        desk: What makes the pages.
        host: What it listens on; on loopback reading is open.
    """
    local = host in {"127.0.0.1", "::1", "localhost"}
    door = Entrance(desk, open_reading=local or desk.room.open_reading)

    async def http_error(request: Request, error: Exception) -> Response:
        status = error.status_code if isinstance(error, HTTPException) else 500
        heading = {404: "Not here", 405: "Not that way"}.get(status, "Not possible")
        words = "There is no such page." if status == 404 else "That cannot be done here."
        return await desk.make(partial(door.trouble, request, status, heading, words))

    async def last_resort(request: Request, error: Exception) -> Response:
        log.error("page %r failed", request.url.path[:80], exc_info=error)
        return HTMLResponse(
            "<!doctype html><title>Failed</title><p>This page failed; the watch goes on.", 500
        )

    names = {*own_names(host, desk.room.address), *(name.lower() for name in desk.room.hosts)}
    app = Starlette(
        routes=routes(door, desk),
        middleware=[Middleware(GZipMiddleware, minimum_size=800, compresslevel=6)],
        exception_handlers={HTTPException: http_error, Exception: last_resort},
    )
    return Guard(app, names)
