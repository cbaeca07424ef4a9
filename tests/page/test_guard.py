"""The page on a home network: every row of the guard's table, with the real application."""

import http.client
import socket
import stat
import time
from collections.abc import Callable
from pathlib import Path

import httpx
import pytest

from daemon.logbook import Archive
from daemon.page.guard import HEADERS, host_name, own_names
from daemon.page.login import LENGTH, LETTERS, Door, Patience, new_passcode
from tests.kit.night import Night
from tests.page.conftest import Page, Served, end_page, start_page

SEEN = {"verb": "acknowledge", "alarm": "1", "next": "/alarm/1"}


def orders(night: Night) -> int:
    """Count the orders in the logbook."""
    with Archive.open(night.folder) as archive:
        return len(archive.orders())


@pytest.mark.parametrize(
    "path", ["/", "/place/box-1", "/alarms", "/alarm/1", "/sensors", "/static/page.js", "/nope"]
)
def test_every_answer_carries_the_headers(page: Page, path: str) -> None:
    """What a browser may do with an answer is said each time, for errors too."""
    answer = page.client.get(path)
    for name, value in HEADERS.items():
        assert answer.headers[name] == value
    assert "unsafe" not in answer.headers["content-security-policy"]
    assert "access-control-allow-origin" not in answer.headers


@pytest.mark.parametrize(
    "host", ["evil.example", "127.0.0.1.evil.example", "", "a b", "127.0.0.1:99999999", "[::1"]
)
def test_a_foreign_host_is_refused(page: Page, host: str) -> None:
    """A name that is not this page's is answered with 421: no rebinding."""
    assert page.client.get("/", headers={"host": host}).status_code == 421


@pytest.mark.parametrize("host", ["127.0.0.1", "127.0.0.1:8300", "localhost:8300", "LOCALHOST", "[::1]:8300"])
def test_own_names_are_served(page: Page, host: str) -> None:
    """Loopback names are served, with and without a port."""
    assert page.client.get("/help", headers={"host": host}).status_code == 200


def test_the_name_in_the_alerts_link_is_served() -> None:
    """The host of [page] address and what is listened on are own names; "every address" is none."""
    assert "cellar.lan" in own_names("0.0.0.0", "http://cellar.lan:8300")
    assert "0.0.0.0" not in own_names("0.0.0.0", "")
    assert host_name("Cellar.LAN.:8300") == "cellar.lan"


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://evil.example"},
        {"origin": "null"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
    ],
    ids=["origin", "opaque", "cross-site", "same-site"],
)
def test_an_order_from_elsewhere_is_refused(page: Page, night: Night, headers: dict[str, str]) -> None:
    """A form on another page cannot give an order, logged in or not."""
    page.login()
    assert page.client.post("/orders", data=SEEN, headers=headers).status_code == 403
    assert orders(night) == 0


def test_an_order_without_login_is_refused(page: Page, night: Night) -> None:
    """On loopback reading is open; an order without login is 401 and writes nothing."""
    answer = page.client.post("/orders", data=SEEN)
    assert answer.status_code == 401
    assert "log in once" in answer.text
    assert orders(night) == 0


def test_an_order_with_login_is_written(page: Page, night: Night) -> None:
    """Logged in, from the page itself, it is written with who and from where, and told."""
    page.login("Ines")
    origin = {"origin": "http://127.0.0.1", "sec-fetch-site": "same-origin"}
    answer = page.client.post("/orders", data=SEEN, headers=origin, follow_redirects=False)
    assert answer.status_code == 303
    assert answer.headers["location"].startswith("/alarm/1?done=")
    with Archive.open(night.folder) as archive:
        (asked,) = archive.orders()
    assert (asked.by, asked.source, asked.body) == (
        "Ines",
        "page testclient",
        {"verb": "acknowledge", "alarm": 1},
    )


@pytest.mark.parametrize("path", ["/orders", "/logout", "/login"])
def test_reading_changes_nothing(page: Page, night: Night, path: str) -> None:
    """A GET with the parts of an order in its address gives no order."""
    page.login()
    page.client.get(f"{path}?verb=acknowledge&alarm=1")
    assert orders(night) == 0
    assert page.desk.door.session(page.client.cookies["ovigil-login"]) is not None


def test_on_the_network_reading_needs_the_login(page_of: Callable[..., Page]) -> None:
    """Listening on the network, every page but login and style is 401 without it."""
    page = page_of("0.0.0.0")
    for path in (
        "/",
        "/place/box-1",
        "/place/box-1.csv",
        "/place/box-1/points",
        "/alarm/1",
        "/sensors",
        "/help",
    ):
        answer = page.client.get(path)
        assert answer.status_code == 401, path
        assert "box-1" not in answer.text.replace(path, "")
    assert page.client.get("/static/page.css").status_code == 200
    page.login()
    assert page.client.get("/").status_code == 200


def test_on_the_network_reading_can_be_opened(page_of: Callable[..., Page], night: Night) -> None:
    """The config may open reading; orders still need the login."""
    page = page_of("0.0.0.0", open_reading=True)
    assert page.client.get("/").status_code == 200
    assert page.client.post("/orders", data=SEEN).status_code == 401
    assert orders(night) == 0


def test_a_link_in_a_message_finds_its_login(page_of: Callable[..., Page]) -> None:
    """A strict cookie is kept back when another page leads here: the first answer only asks again."""
    page = page_of("0.0.0.0")
    answer = page.client.get("/alarm/1", headers={"sec-fetch-site": "cross-site"})
    assert 'http-equiv="refresh" content="0"' in answer.text


def test_the_cookie_is_strict_and_long(page: Page) -> None:
    """The login is HttpOnly, SameSite=Strict and lives 90 days; the server keeps only a hash."""
    answer = page.client.post(
        "/login", data={"by": "Ines", "passcode": page.passcode}, follow_redirects=False
    )
    cookie = answer.headers["set-cookie"]
    assert all(part in cookie for part in ("HttpOnly", "SameSite=strict", f"Max-Age={90 * 86_400}", "Path=/"))
    token = page.client.cookies["ovigil-login"]
    assert len(token) >= 43
    kept = (page.desk.room.folder / "page-sessions").read_text()
    assert token not in kept


def test_passcode_and_sessions_are_private(page: Page) -> None:
    """Both files are readable by their owner alone; the passcode is not in its file."""
    page.login()
    for name in ("page-passcode", "page-sessions"):
        file = page.desk.room.folder / name
        assert stat.S_IMODE(file.stat().st_mode) == 0o600
        assert page.passcode.replace("-", "") not in file.read_text()


@pytest.mark.parametrize("content", [b"", b"\xff\x00", b"[1]", b'{"a": 5}', b"zz zz"], ids=repr)
def test_what_cannot_be_read_admits_nobody(page: Page, content: bytes) -> None:
    """Damaged files of passcode and logins close the door, and the page goes on."""
    page.login()
    for name in ("page-passcode", "page-sessions"):
        (page.desk.room.folder / name).write_bytes(content)
    assert not page.desk.door.fits(page.passcode)
    assert not page.desk.door.fits("")
    assert page.desk.door.session(page.client.cookies["ovigil-login"]) is None
    assert "Logged in" not in page.text("/")


def test_logging_out_ends_the_session(page: Page, night: Night) -> None:
    """After logging out the old cookie gives no order; a lost phone can be shut out from here."""
    page.login()
    token = page.client.cookies["ovigil-login"]
    page.client.post("/logout", follow_redirects=False)
    page.client.cookies.set("ovigil-login", token)
    assert page.client.post("/orders", data=SEEN).status_code == 401
    page.login()
    page.desk.door.dismiss_all()
    assert page.client.post("/orders", data=SEEN).status_code == 401
    assert orders(night) == 0


def test_one_device_can_log_out_every_other(page: Page, night: Night) -> None:
    """A keeper whose phone is lost shuts it out from another; a stranger cannot."""
    page.login()
    lost = page.client.cookies["ovigil-login"]
    page.client.cookies.clear()
    page.client.post("/logout", data={"every": "yes"}, follow_redirects=False)
    assert page.desk.door.session(lost) is not None
    page.login()
    assert "Log out every device</button>" in page.text("/")
    page.client.post("/logout", data={"every": "yes"}, follow_redirects=False)
    assert page.desk.door.session(lost) is None
    page.client.cookies.set("ovigil-login", lost)
    assert page.client.post("/orders", data=SEEN).status_code == 401
    assert orders(night) == 0


def test_a_login_ends_after_90_days(night: Night) -> None:
    """A session is forgotten when its time is over."""
    now = [1_000.0]
    door = Door(night.folder, lambda: now[0])
    token = door.admit("Ines")
    now[0] += 90 * 86_400 - 1
    assert door.session(token) is not None
    now[0] += 2
    assert door.session(token) is None


def test_a_passcode_has_at_least_72_bits() -> None:
    """Fifteen letters out of 31, drawn at random, never twice the same."""
    assert len(LETTERS) ** LENGTH >= 2**72
    assert len({new_passcode() for _ in range(200)}) == 200
    assert set("".join(new_passcode().split("-"))) <= set(LETTERS)


def test_a_passcode_is_made_once_and_read_kindly(night: Night) -> None:
    """It is given once; dashes, blanks and capitals do not matter; anything else does not fit."""
    door = Door(night.folder)
    passcode = door.fresh_passcode()
    assert passcode is not None
    assert door.fresh_passcode() is None
    assert door.fits(passcode)
    assert door.fits(passcode.upper().replace("-", " "))
    assert not door.fits(passcode[:-1])
    assert not door.fits("")


def test_guessing_is_locked_by_address() -> None:
    """Wrong passcodes lock their own address for longer each time, at most five minutes, and no other."""
    now = [0.0]
    patience = Patience(lambda: now[0])
    waits = []
    for _ in range(14):
        patience.failed("192.0.2.9")
        waits.append(patience.wait("192.0.2.9"))
        now[0] += waits[-1]
    assert waits[:2] == [0.0, 0.0]
    assert waits[2:6] == [1.0, 2.0, 4.0, 8.0]
    assert max(waits) == 300.0
    assert patience.wait("192.0.2.10") == 0.0
    patience.failed("2001:db8::1")
    patience.failed("2001:db8::2")
    patience.failed("2001:db8::3")
    assert patience.wait("2001:db8::ffff") > 0


def test_a_locked_address_is_told_to_wait(page: Page) -> None:
    """While locked even the right passcode is answered with 429 and how long to wait."""
    for _ in range(3):
        assert page.client.post("/login", data={"by": "x", "passcode": "wrong"}).status_code == 401
    answer = page.client.post("/login", data={"by": "x", "passcode": page.passcode})
    assert answer.status_code == 429
    assert int(answer.headers["retry-after"]) >= 1


@pytest.mark.parametrize("size", [16 * 1024 + 1, 2_000_000])
def test_a_large_body_is_refused(page: Page, size: int) -> None:
    """More than 16 kB is 413, told or not told beforehand."""
    page.login()
    assert page.client.post("/orders", content=b"x" * size).status_code == 413
    assert page.client.post("/orders", content=iter([b"x" * 9_000] * (size // 9_000 + 1))).status_code == 413


@pytest.mark.parametrize(
    ("kind", "body"),
    [
        ("application/json", b'{"verb":"acknowledge","alarm":1}'),
        ("text/plain", b"verb=acknowledge&alarm=1"),
        ("application/x-www-form-urlencoded", b"verb=acknowledge&alarm=1&alarm=2"),
        ("application/x-www-form-urlencoded", b"\xff\xfe"),
        ("application/x-www-form-urlencoded", b"verb=acknowledge&alarm=one"),
        ("application/x-www-form-urlencoded", b"verb=explode&alarm=1"),
        ("application/x-www-form-urlencoded", b"verb=shelve&alarm=1&for=9+years"),
        ("application/x-www-form-urlencoded", b"verb=label&alarm=1&label=mine"),
        ("application/x-www-form-urlencoded", b"verb=service&place=nowhere&in=no"),
        ("application/x-www-form-urlencoded", b"verb=acknowledge&alarm=-1"),
    ],
    ids=["json", "plain", "twice", "bytes", "word", "verb", "long", "label", "place", "minus"],
)
def test_only_sound_forms_are_orders(page: Page, night: Night, kind: str, body: bytes) -> None:
    """Anything else than one of our forms is 400 and writes nothing."""
    page.login()
    assert page.client.post("/orders", content=body, headers={"content-type": kind}).status_code == 400
    assert orders(night) == 0


@pytest.mark.parametrize(
    "there", ["//evil.example", "http://evil.example", "/\\evil.example", "javascript:alert(1)", "\r\nx: y"]
)
def test_it_never_leads_elsewhere(page: Page, there: str) -> None:
    """After login or an order one is led back to this page only."""
    answer = page.client.post(
        "/login", data={"by": "x", "passcode": page.passcode, "next": there}, follow_redirects=False
    )
    assert answer.headers["location"] == "/"


def test_names_are_shown_as_words(page: Page) -> None:
    """A name that looks like markup is text on the page and one line in the journal."""
    page.login("<script>alert(1)</script>\r\nx")
    text = page.client.get("/help").text
    assert "<script>alert" not in text
    assert "&lt;script&gt;" in text


def slow_connections(served: Served, count: int) -> list[socket.socket]:
    """Open connections that begin a request and never end it."""
    found = []
    for _ in range(count):
        one = socket.create_connection(("127.0.0.1", served.port), 5)
        one.sendall(b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX: ")
        found.append(one)
    return found


def test_slow_strangers_do_not_shut_the_keeper_out(served: Served) -> None:
    """With 200 connections that dawdle the page still answers, and holds at most 64 of them."""
    slow = slow_connections(served, 200)
    try:
        connection = http.client.HTTPConnection("127.0.0.1", served.port, timeout=5)
        connection.request("GET", "/help")
        assert connection.getresponse().status == 200
        connection.close()
        open_files = len(
            list((served_fds := __import__("pathlib").Path(f"/proc/{served.process.pid}/fd")).iterdir())
        )
        assert served_fds.exists()
        assert open_files < 64 + 40
    finally:
        for one in slow:
            one.close()


def test_logins_and_orders_are_logged(night: Night, tmp_path: Path) -> None:
    """Who logged in, from where, each wrong passcode and each order stand in the log, each on one line."""
    with (tmp_path / "said").open("wb") as said:
        served = start_page(night.config, said)
        try:
            with httpx.Client(base_url=served.base, timeout=10) as client:
                client.post("/login", data={"by": "x", "passcode": "wrong"})
                client.post("/login", data={"by": "Ines\r\nforged", "passcode": served.passcode})
                client.post("/orders", data={"verb": "acknowledge", "alarm": "1", "next": "/"})
        finally:
            end_page(served)
    lines = (tmp_path / "said").read_text().splitlines()
    assert lines[0] == "wrong passcode from 127.0.0.1"
    assert lines[1].endswith("logged in from 127.0.0.1")
    assert lines[2].startswith("order ")
    assert not any(line.startswith("forged") for line in lines)
    assert served.passcode not in "".join(lines)


def test_a_page_that_fails_says_nothing_of_its_inside(page: Page, monkeypatch: pytest.MonkeyPatch) -> None:
    """A fault of ours is answered with one plain sentence, headers included, and the page goes on."""

    def broken(*_: object) -> None:
        raise RuntimeError("inside /secret/path")

    with monkeypatch.context() as patch:
        patch.setattr(page.desk, "make", broken)
        answer = page.client.get("/alarms")
    assert answer.status_code == 500
    assert "This page failed; the watch goes on." in answer.text
    assert "secret" not in answer.text
    assert "Traceback" not in answer.text
    assert page.client.get("/alarms").status_code == 200


def test_a_head_must_come_in_time(served: Served) -> None:
    """A request's head that is dripped is cut off after ten seconds, not before five."""
    (one,) = slow_connections(served, 1)
    begun = time.monotonic()
    one.settimeout(20)
    try:
        while time.monotonic() - begun < 14:
            one.sendall(b"y")
            time.sleep(0.5)
    except OSError:
        pass
    took = time.monotonic() - begun
    one.close()
    assert 5 < took < 13
