"""The pages: one module each in ``web/pages``, found by looking."""

from __future__ import annotations

from dataclasses import dataclass
from importlib import import_module
from pkgutil import iter_modules

from fastapi import APIRouter

from throttlewright.web import pages

__all__ = ["FoundPage", "Page", "find_pages"]


@dataclass(frozen=True)
class Page:
    """A page of the workbench.

    Parameters
    ----------
    id : str
        Short name, in addresses.
    title : str
        In the path across the top.
    order : int
        Place in the path; the person's job goes from left to right.
    question : str
        What the page answers, one sentence.
    """

    id: str
    title: str
    order: int
    question: str


@dataclass(frozen=True)
class FoundPage:
    """A page with the part of the server that answers it."""

    page: Page
    router: APIRouter


def find_pages() -> tuple[FoundPage, ...]:
    """Return the pages in the order of the job.

    Returns
    -------
    tuple of FoundPage
        Sorted by order, then by name.

    Raises
    ------
    TypeError
        If a module lacks its ``PAGE`` or ``router``.
    ValueError
        If two pages have one name, or a router answers outside its own addresses.
    """
    found: list[FoundPage] = []
    for info in iter_modules(pages.__path__):
        if info.name.startswith("_"):
            continue
        module = import_module(f"{pages.__name__}.{info.name}")
        page, router = getattr(module, "PAGE", None), getattr(module, "router", None)
        if not isinstance(page, Page) or not isinstance(router, APIRouter):
            raise TypeError(f"{module.__name__} needs PAGE = Page(...) and router = APIRouter(...)")
        if router.prefix != f"/api/{page.id}":
            raise ValueError(f"{module.__name__}: the router's prefix must be /api/{page.id}")
        if any(other.page.id == page.id for other in found):
            raise ValueError(f"two pages are called {page.id}")
        found.append(FoundPage(page, router))
    return tuple(sorted(found, key=lambda one: (one.page.order, one.page.id)))
