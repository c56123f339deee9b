"""Two kinds of pages: those of the group, which leave the clinics, and a clinic's own."""

from collections.abc import Mapping
from typing import Any

from dashboards import cautions
from dashboards.page import Link, Page
from dashboards.source import Clinic

GROUP_MENU = (
    Link("Start", "index.html"),
    Link("Side by side", "side_by_side.html"),
    Link("Does it help?", "response_by_grade.html"),
    Link("After how many sessions?", "response_by_session.html"),
    Link("Does it last?", "durability.html"),
    Link("Where patients leave", "leaving.html"),
    Link("Protocols compared", "protocols.html"),
    Link("Clinics compared", "sites.html"),
    Link("Is it safe?", "safety.html"),
    Link("Delivered as planned", "delivery.html"),
    Link("Dose and response", "dose.html"),
    Link("What to expect", "expect.html"),
    Link("Data quality", "quality.html"),
    Link("How it is worked out", "method.html"),
)


def clinic_menu(clinic: Clinic) -> tuple[Link, ...]:
    return (
        Link("All clinics", "index.html"),
        Link("Month by month", f"{clinic.folder}index.html"),
        Link("Who is due", f"{clinic.folder}recall.html"),
        Link("Does it help?", f"{clinic.folder}response.html"),
        Link("Is it safe?", f"{clinic.folder}safety.html"),
        Link("What was refused", f"{clinic.folder}quality.html"),
        Link("How it is worked out", "method.html"),
    )


def group_page(
    name: str, title: str, content: Mapping[str, Any], read_with_care: tuple[str, ...]
) -> Page:
    """A page of all clinics; its file and its template have one name."""
    return Page(
        path=f"{name}.html",
        template=f"{name}.html",
        title=title,
        content=content,
        cautions=read_with_care,
        menu=GROUP_MENU,
    )


def clinic_page(
    clinic: Clinic,
    name: str,
    template: str,
    title: str,
    content: Mapping[str, Any],
    read_with_care: tuple[str, ...] = (),
) -> Page:
    """A page with full counts, in the clinic's own folder."""
    return Page(
        path=f"{clinic.folder}{name}.html",
        template=f"{template}.html",
        title=title,
        content=content,
        cautions=(*read_with_care, cautions.FULL_COUNTS),
        menu=clinic_menu(clinic),
    )
