"""What changes something: orders, login, logout. Each is a plain form, no script needed."""

import logging
from collections.abc import Mapping
from urllib.parse import parse_qsl, urlsplit

from starlette.responses import RedirectResponse, Response

from daemon.orders import OrderError, printable, write_order
from daemon.page import alarms
from daemon.page.clutches import egg_order
from daemon.page.desk import PageDesk, Who
from daemon.page.login import LIFE, cookie_name
from daemon.page.views import Asked, number, page
from daemon.record import Json
from rules.reading import HOUR, MINUTE

log = logging.getLogger("ovigil.page")

FORM = "application/x-www-form-urlencoded"
"""The only kind of body that is taken."""

_FOR = {"20 min": 20 * MINUTE, "1 h": HOUR}


class NotAFormError(Exception):
    """The body is no form of ours."""


def form_of(kind: str, body: bytes) -> dict[str, str]:
    """Read a form.

    Raises:
        NotAFormError: It is something else, or says one thing twice.
    """
    if kind.partition(";")[0].strip().lower() != FORM:
        raise NotAFormError("Send a form.")
    try:
        pairs = parse_qsl(body.decode("utf-8"), keep_blank_values=True, max_num_fields=30)
    except ValueError as error:
        raise NotAFormError("That is no form.") from error
    fields = dict(pairs)
    if len(fields) != len(pairs):
        raise NotAFormError("Say each thing once.")
    return fields


def local_path(text: str) -> str:
    """Give an address on this page, whatever was asked for."""
    parts = urlsplit(text) if text.isascii() and text.isprintable() else None
    inside = parts and not parts.scheme and not parts.netloc
    if not inside or not text.startswith("/") or text.startswith(("//", "/\\")) or "\\" in text:
        return "/"
    return text[:500]


def order(desk: PageDesk, asked: Asked, form: Mapping[str, str]) -> Response:
    """Write an order and go back, saying so."""
    back = local_path(form.get("next", "/"))
    eggs = form.get("verb") == "egg" and "deed" in form
    body = egg_order(form) if eggs else _body(desk, form)
    source = f"page {printable(asked.who.address, 60)}"
    given = write_order(desk.room.folder, asked.who.by or "keeper", source, body)
    log.info("order %d %s by %r from %s", given, body.get("verb"), asked.who.by, asked.who.address)
    path, _, query = back.partition("?")
    kept = [(k, v) for k, v in parse_qsl(query) if k != "done"]
    from urllib.parse import urlencode

    return RedirectResponse(f"{path}?{urlencode([*kept, ('done', given)])}", 303)


def _body(desk: PageDesk, form: Mapping[str, str]) -> dict[str, Json]:
    """Make the order that a form means.

    Raises:
        OrderError: It means none.
    """
    verb = form.get("verb", "")
    body: dict[str, Json] = {"verb": verb}
    for name in ("alarm", "order"):
        if name in form:
            value = number(form[name])
            if value is None:
                raise OrderError(f"{name} is no number")
            body[name] = value
    for name in ("text", "label", "place", "stage", "reason", "clutch", "entry"):
        if name in form:
            body[name] = form[name]
    if verb == "service":
        body["in"] = form.get("in") == "yes"
        if desk.room.place(form.get("place", "")) is None:
            raise OrderError("there is no such place")
    if verb == "shelve":
        body["for_ms"] = _until(desk, form.get("for", ""))
    if verb == "note" and not form.get("text", "").strip():
        raise OrderError("a note needs words")
    return body


def _until(desk: PageDesk, text: str) -> int:
    """Read for how long an alarm is to be quiet (ms)."""
    if text == "morning":
        return desk.asked(lambda pen: alarms.morning(pen, pen.room) - pen.source.now)
    if text not in _FOR:
        raise OrderError("quiet for 20 min, 1 h or until morning")
    return _FOR[text]


def login_page(desk: PageDesk, asked: Asked, words: str, *, status: int = 200, back: str = "/") -> Response:
    """Show the login."""
    answer = page(desk, asked, "login", {"title": "Log in", "words": words, "next": back}, None)
    answer.status_code = status
    return answer


def login(desk: PageDesk, asked: Asked, form: Mapping[str, str]) -> Response:
    """Let a device in that knows the passcode."""
    back = local_path(form.get("next", "/"))
    wait = desk.patience.wait(asked.who.address)
    if wait > 0:
        answer = login_page(desk, asked, f"Too many tries. Wait {wait:.0f} s.", status=429, back=back)
        answer.headers["retry-after"] = f"{wait:.0f}"
        return answer
    by = printable(form.get("by", ""), 40) or "keeper"
    if not desk.door.fits(form.get("passcode", "")):
        desk.patience.failed(asked.who.address)
        log.warning("wrong passcode from %s", asked.who.address)
        return login_page(desk, asked, "That is not the passcode.", status=401, back=back)
    desk.patience.right(asked.who.address)
    log.info("%r logged in from %s", by, asked.who.address)
    answer = RedirectResponse(back, 303)
    secure = desk.room.tls is not None
    answer.set_cookie(
        cookie_name(secure=secure),
        desk.door.admit(by),
        max_age=LIFE,
        httponly=True,
        samesite="strict",
        secure=secure,
        path="/",
    )
    return answer


def logout(desk: PageDesk, who: Who, *, every: bool = False) -> Response:
    """Forget this device; or every device, where one that is logged in asks for it."""
    if every and who.by:
        desk.door.dismiss_all()
        log.info("%r logged out every device from %s", who.by, who.address)
    desk.door.dismiss(who.token)
    answer = RedirectResponse("/", 303)
    secure = desk.room.tls is not None
    name = cookie_name(secure=secure)
    answer.delete_cookie(name, path="/", httponly=True, samesite="strict", secure=secure)
    return answer
