"""Routes of pages: what is refused is told on a page, with the same sentences as everywhere."""

from __future__ import annotations

from collections.abc import Callable, Coroutine
from typing import Any

from fastapi import Request, Response
from fastapi.routing import APIRoute

from service.errors import Category, Problem, Refused
from service.web.pages.render import page
from service.web.problems import STATUS

_TITLES = {
    Category.NOT_FOUND: "Not found",
    Category.BUSY: "Busy; please try again",
}


class PageRoute(APIRoute):
    """A route whose refusals are pages."""

    def get_route_handler(self) -> Callable[[Request], Coroutine[Any, Any, Response]]:
        """The handler, with refusals told on a page."""
        handle = super().get_route_handler()

        async def told(request: Request) -> Response:
            try:
                return await handle(request)
            except Refused as refused:
                return refusal(request, refused.problems)

        return told


def refusal(request: Request, problems: tuple[Problem, ...]) -> Response:
    """A page with every problem."""
    category = problems[0].category
    title = _TITLES.get(category, "This cannot be done")
    return page(request, "refused.html", STATUS[category], title=title, problems=problems)
