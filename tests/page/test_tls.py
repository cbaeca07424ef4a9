"""The page over TLS: the real process with a certificate of its own."""

import ssl
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import httpx
import pytest

from daemon.settings import SettingsError, load
from tests.kit.broker import Certificates, certificates
from tests.kit.night import Night
from tests.page.conftest import Page, Served, end_page, start_page


@pytest.fixture
def papers(tmp_path: Path) -> Certificates:
    """Make a certificate for 127.0.0.1."""
    return certificates(tmp_path / "papers")


@pytest.fixture
def served(night: Night, papers: Certificates) -> Iterator[Served]:
    """Give the real process over TLS."""
    with night.config.open("a") as file:
        file.write(f'\n[page]\ncertificate = "{papers.certificate}"\nkey = "{papers.key}"\n')
    given = start_page(night.config)
    yield given
    end_page(given)


def test_over_tls_the_login_is_bound_to_it(served: Served, papers: Certificates) -> None:
    """The cookie is Secure with the name that no plain page can set, and orders go with it."""
    trusted = ssl.create_default_context(cafile=str(papers.authority))
    with httpx.Client(base_url=f"https://127.0.0.1:{served.port}", verify=trusted, timeout=10) as client:
        answer = client.post("/login", data={"by": "Ines", "passcode": served.passcode})
        cookie = answer.headers["set-cookie"]
        assert cookie.startswith("__Host-ovigil-login=")
        assert all(part in cookie for part in ("Secure", "HttpOnly", "SameSite=strict", "Path=/"))
        assert "Domain" not in cookie
        assert "Logged in as Ines." in client.get("/").text
        given = client.post("/orders", data={"verb": "acknowledge", "alarm": "1", "next": "/"})
        assert given.status_code == 303
        client.post("/logout")
        assert "Logged in" not in client.get("/").text


def test_over_tls_there_is_no_plain_page(served: Served) -> None:
    """Whoever speaks plain HTTP to it gets nothing."""
    with httpx.Client(timeout=5) as client, pytest.raises(httpx.HTTPError):
        client.get(f"http://127.0.0.1:{served.port}/")


def test_over_tls_a_plain_cookie_is_none(page: Page) -> None:
    """A cookie that a plain page could have set is not taken for a login over TLS."""
    page.login()
    page.desk.room = replace(page.desk.room, tls=(Path("c.pem"), Path("k.pem")))
    assert "Logged in" not in page.text("/")


@pytest.mark.parametrize("key", ["certificate", "key"])
def test_one_without_the_other_is_refused(night: Night, key: str) -> None:
    """A certificate without its key, or the other way round, is a mistake that is named."""
    with night.config.open("a") as file:
        file.write(f'\n[page]\n{key} = "x.pem"\n')
    with pytest.raises(SettingsError, match="belong together"):
        load(night.config)
