"""Why there is no answer: raised where it is found out, told to the asker as JSON."""

from __future__ import annotations

from http import HTTPStatus

from lineset.shop.answers import Problem


class Refusal(Exception):
    """A status of HTTP, and in words what is wrong, where, and what to do about it."""

    def __init__(self, status: int, what: str, where: str, remedy: str) -> None:
        self.status = status
        detail = f"{where}: {what}; {remedy}"
        title = HTTPStatus(status).phrase
        self.problem = Problem(title=title, status=status, detail=detail, what=what, where=where, remedy=remedy)
        super().__init__(detail)
