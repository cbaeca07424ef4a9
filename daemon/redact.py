"""Take secrets out of whatever is written: logs, tracebacks, error texts.

An alert's address is a secret as a whole and in its parts: libraries log the path,
the user part or the password alone. Every record passes here when it is made, so no
logger, handler or level can go around it.
"""

import base64
import io
import logging
import re
import sys
import threading
import traceback
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from types import TracebackType
from typing import Any
from urllib.parse import parse_qsl, quote, quote_plus, unquote, unquote_plus, urlsplit

HIDDEN = "[hidden]"
"""What stands in place of a secret."""

SHORTEST = 4
"""Parts of an address shorter than this are not hidden alone (characters): "v1" or "to"
would take holes into every log line, and no service gives out so short a secret."""

_WITH_USER = re.compile(r"\b([a-z][a-z0-9+.-]{1,30}://)[^\s/'\"<>@]+@", re.IGNORECASE)
_OPTIONS = frozenset(
    {"high", "urgent", "emergency", "normal", "moderate", "default", "text", "html", "markdown", "insecure"}
    | {"starttls", "true", "false", "post", "split", "upstream", "truncate", "private", "cloud", "memory"}
)
"""Values of options that are plain words: hiding them would tear up every log line."""
_PLAIN_HOSTS = frozenset({"localhost", "127.0.0.1", "::1"})


@dataclass(frozen=True, slots=True)
class Redactor:
    """Knows some secrets and takes them out of text. Immutable; any thread may use it.

    Attributes:
        pattern: Matches every form of every secret, longest first, or None.
    """

    pattern: re.Pattern[str] | None = None

    @staticmethod
    def of(secrets: Iterable[str]) -> "Redactor":
        """Make one for ``secrets``: whole values, and the parts of those that are addresses."""
        forms = {form for secret in secrets for form in _forms(secret)}
        ordered = sorted(forms, key=lambda form: (-len(form), form))
        return Redactor(re.compile("|".join(map(re.escape, ordered)), re.IGNORECASE) if ordered else None)

    def clean(self, text: str) -> str:
        """Give ``text`` with every secret, and the user part of any address, hidden."""
        if self.pattern is not None:
            text = self.pattern.sub(HIDDEN, text)
        return _WITH_USER.sub(rf"\g<1>{HIDDEN}@", text) if "://" in text else text


class RedactingFilter(logging.Filter):
    """Cleans a record in place; for a handler of one's own."""

    def __init__(self, redactor: Redactor) -> None:
        """Remember the secrets."""
        super().__init__()
        self.redactor = redactor

    def filter(self, record: logging.LogRecord) -> bool:
        """Clean ``record``; it always passes."""
        clean_record(record, self.redactor)
        return True


def clean_record(record: logging.LogRecord, redactor: Redactor) -> None:
    """Replace message, arguments, traceback and stack of ``record`` by clean text."""
    record.msg, record.args = redactor.clean(_message(record)), ()
    if record.exc_info and not record.exc_text:
        record.exc_text = "".join(traceback.format_exception(*record.exc_info)).rstrip("\n")
    record.exc_info = None
    if record.exc_text:
        record.exc_text = redactor.clean(record.exc_text)
    if record.stack_info:
        record.stack_info = redactor.clean(record.stack_info)


def install(redactor: Redactor) -> Callable[[], None]:
    """Clean every log record of this process, and tracebacks that end it or a thread.

    Installing again replaces the secrets.

    Returns:
        What takes it out again (for tests).
    """
    before = (logging.getLogRecordFactory(), sys.excepthook, threading.excepthook)
    make = getattr(before[0], "beneath", before[0])

    def record_of(*args: Any, **kwargs: Any) -> logging.LogRecord:
        record: logging.LogRecord = make(*args, **kwargs)
        clean_record(record, redactor)
        return record

    record_of.beneath = make  # type: ignore[attr-defined]  # so that a second install does not pile up
    logging.setLogRecordFactory(record_of)
    sys.excepthook = lambda kind, fault, trace: _tell(redactor, kind, fault, trace)
    threading.excepthook = lambda told: _tell(redactor, told.exc_type, told.exc_value, told.exc_traceback)
    return lambda: _restore(before)


def _restore(before: tuple[Any, Any, Any]) -> None:
    logging.setLogRecordFactory(before[0])
    sys.excepthook, threading.excepthook = before[1], before[2]


def _tell(
    redactor: Redactor,
    kind: type[BaseException],
    fault: BaseException | None,
    trace: TracebackType | None,
) -> None:
    """Write a clean traceback to standard error."""
    if issubclass(kind, SystemExit):
        return
    text = io.StringIO()
    traceback.print_exception(kind, fault, trace, file=text)
    if sys.stderr is not None:
        sys.stderr.write(redactor.clean(text.getvalue()))


def _message(record: logging.LogRecord) -> str:
    """The record's message; one that does not fit its arguments is told, not raised."""
    try:
        return record.getMessage()
    except (TypeError, ValueError, KeyError) as fault:
        return f"{record.msg} (the arguments do not fit: {fault})"


def _forms(secret: str) -> set[str]:
    """Every form in which ``secret`` may appear in a text."""
    secret = secret.strip()
    if not secret:
        return set()
    plain = {secret, *_parts(secret)}
    plain |= {unquote(part) for part in plain} | {unquote_plus(part) for part in plain}
    forms = plain | {quote(part, safe="") for part in plain} | {quote(part) for part in plain}
    forms |= {quote_plus(part) for part in plain} | {repr(part)[1:-1] for part in plain}
    return {form for form in forms if len(form) >= SHORTEST} | {secret}


def _parts(address: str) -> set[str]:
    """The parts of an address that are or may be secrets; () for a secret that is none."""
    if "://" not in address:
        return set()
    try:
        split = urlsplit(address)
    except ValueError:
        return {part for part in re.split(r"[/:@?&=#+]+", address.partition("://")[2]) if part}
    place, _, host = split.netloc.rpartition("@")
    user, _, password = place.partition(":")
    parts = {
        place,
        user,
        password,
        *_host(host),
        split.path.strip("/"),
        *split.path.split("/"),
        split.fragment,
    }
    parts |= {piece for part in split.path.split("/") for piece in re.split(r"[:@,]", part)}
    for key, value in parse_qsl(split.query, keep_blank_values=True):
        parts |= {value, *re.split(r"[,;]|@[^,;]*", value)} if value.lower() not in _OPTIONS else set()
        parts |= {key.lstrip("+-: ")} if key[:1] in "+-: " else set()
    if password:
        parts.add(base64.b64encode(f"{unquote(user)}:{unquote(password)}".encode()).decode())
    return {part for part in parts if part}


def _host(host: str) -> set[str]:
    """A host that is none: many services write a token there. A real one stays readable."""
    name = host.rpartition(":")[0] or host if not host.endswith("]") else host
    if "." in name or name.strip("[]").lower() in _PLAIN_HOSTS or ":" in name:
        return set()
    return {host, name, host.rpartition(":")[2]} if not host.rpartition(":")[2].isdigit() else {name}
