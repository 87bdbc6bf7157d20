"""The plain doors: messages to `/intake` and answers of `/cases`, as dicts whose decimals are `Decimal`."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from urllib.parse import quote

from service.client.failure import no_answer
from service.client.json_text import Json, dumped, loaded_object
from service.client.sending import Request, Sender

_OWN_NUMBERS = ("referral_number", "entry_id", "order_number", "test_number")


class PlainAddresses:
    """The plain doors of one server. Every method raises RelayError when the server refuses."""

    def __init__(self, sender: Sender) -> None:
        self._sender = sender

    def refer(self, referral: Json) -> Json:
        """A referral; its answer names the case."""
        return self._post("/intake/referrals", referral)

    def send(self, case_number: str, door: str, message: Json) -> Json:
        """A message to a door of a case, such as `progress` or `sleep-tests`; its answer tells where the case stands."""
        return self._post(f"/intake/cases/{_step(case_number)}/{_step(door)}", message)

    def case(self, case_number: str) -> Json:
        """One case with its decision and every reason."""
        return self._get(f"/cases/{_step(case_number)}")

    def readiness(self, case_number: str, as_of: date | None = None) -> Json:
        """The case as of a day, from the facts known that day."""
        return self._get(f"/cases/{_step(case_number)}/readiness", *((("as_of", as_of.isoformat()),) if as_of else ()))

    def messages(self, case_number: str) -> Json:
        """The messages of a case as they were received."""
        return self._get(f"/cases/{_step(case_number)}/messages")

    def health(self) -> Json:
        """Whether the service and its database answer, and its version."""
        return self._get("/health")

    def cases(self, *filters: tuple[str, str]) -> Iterator[Json]:
        """The worklist, page by page as it is asked for; filters such as ("whose_move", "dentist")."""
        after: tuple[tuple[str, str], ...] = ()
        while True:
            page = self._get("/cases", *filters, *after)
            yield from page.get("cases", [])
            if not page.get("after"):
                return
            after = (("after", str(page["after"])),)

    def _post(self, path: str, message: Json) -> Json:
        request = Request("POST", path, content=dumped(message), repeatable=carries_own_numbers(message))
        return loaded_object(self._sender.send(request).text)

    def _get(self, path: str, *parameters: tuple[str, str]) -> Json:
        return loaded_object(self._sender.send(Request("GET", path, parameters, repeatable=True)).text)


def carries_own_numbers(message: Json) -> bool:
    """Whether everything a message reports has the sender's own number: sent again, it is the same message."""
    if any(name in message for name in _OWN_NUMBERS):
        return True
    test = message.get("test")
    if isinstance(test, dict):
        return "test_number" in test
    lists = [value for value in message.values() if isinstance(value, list) and value]
    entries = [entry for value in lists for entry in value]
    return bool(entries) and all(isinstance(entry, dict) and "entry_id" in entry for entry in entries)


def _step(text: str) -> str:
    step = quote(text, safe="")
    if step in ("", ".", ".."):
        raise no_answer("A case number or the name of a door is missing.")
    return step
