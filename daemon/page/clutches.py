"""The pages of the clutches: address in, HTML out; and the orders that their buttons mean."""

from collections.abc import Callable, Mapping

from starlette.responses import Response

from daemon.clutch_entry import order_of
from daemon.orders import OrderError
from daemon.page import brood
from daemon.page.desk import PageDesk
from daemon.page.ready import KINDS, readiness_view
from daemon.page.strips import Pen
from daemon.page.views import REFRESH, Asked, NotFoundError, number, page
from daemon.record import Json
from rules.clutch import ClutchError, Deed

EGGS_OUT = (Deed.PIPPED, Deed.HATCHED, Deed.SLUMPED, Deed.DIED, Deed.REMOVED)
"""What happens to eggs, in the order of the buttons."""


def clutches(desk: PageDesk, asked: Asked) -> Response:
    """Answer all clutches."""

    def work(pen: Pen) -> Response:
        values = {"title": f"Clutches · {pen.room.name}", "sheet": brood.sheet(pen), "live": 0}
        return page(desk, asked, "clutches", values, pen)

    return desk.asked(work)


def clutch(desk: PageDesk, asked: Asked) -> Response:
    """Answer one clutch, with the buttons of its log."""

    def work(pen: Pen) -> Response:
        try:
            found = brood.view(pen, asked.parts.get("id", ""))
        except ClutchError:
            raise NotFoundError("There is no such clutch.") from None
        values = {
            "title": f"{found.line.id} · {pen.room.name}",
            "view": found,
            "deeds": [deed.value for deed in EGGS_OUT],
            "back": f"/clutch/{asked.parts.get('id', '')}",
            # What is typed into a form must not be lost to a refresh.
            "live": REFRESH if "done" in asked.query else 0,
        }
        return page(desk, asked, "clutch", values, pen)

    return desk.asked(work)


def season(desk: PageDesk, asked: Asked) -> Response:
    """Answer the season looked back on, to be printed."""

    def work(pen: Pen) -> Response:
        first = max(0, number(asked.query.get("from")) or 0)
        found, totals, after = brood.remembered(pen, first)
        values = {
            "title": f"The season · {pen.room.name}",
            "clutches": found,
            "totals": totals,
            "after": after,
            "live": 0,
        }
        return page(desk, asked, "season", values, pen)

    return desk.asked(work)


def ready(desk: PageDesk, asked: Asked) -> Response:
    """Answer whether an enclosure is ready."""

    def work(pen: Pen) -> Response:
        place = pen.room.place(asked.parts.get("place", ""))
        if place is None or place.kind not in KINDS:
            raise NotFoundError("There is no such enclosure in the config.")
        values = {
            "title": f"{place.name}: ready? · {pen.room.name}",
            "place": place.name,
            "ready": readiness_view(pen, place),
            "live": 0,
        }
        return page(desk, asked, "ready", values, pen)

    return desk.asked(work)


def egg_order(form: Mapping[str, str]) -> dict[str, Json]:
    """Make the order that a form of the egg log means.

    Raises:
        OrderError: It means none.
    """
    deed = form.get("deed", "")
    parts: dict[str, Json] = {"deed": deed}
    for name in ("box", "note", "of"):
        parts[name] = form.get(name, "").strip()
    if deed != Deed.CANDLED.value and form.get("count", "").strip():
        parts["count"] = number(form["count"].strip())
        if parts["count"] is None:
            raise OrderError("how many is a whole number")
    if form.get("grams", "").strip():
        try:
            parts["grams"] = float(form["grams"].strip().replace(",", "."))
        except ValueError:
            raise OrderError("the weight is a number, in grams") from None
    try:
        return order_of(form.get("clutch", ""), parts)
    except (ClutchError, ValueError) as error:
        raise OrderError(str(error)) from None


PAGES: Mapping[str, Callable[[PageDesk, Asked], Response]] = {
    "/clutches": clutches,
    "/clutch/{id}": clutch,
    "/season": season,
    "/place/{place}/ready": ready,
}
"""The pages of the clutches, by address."""
