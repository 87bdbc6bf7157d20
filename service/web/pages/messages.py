"""From a posted form to the plain message it makes, and from problems of that message back to the fields."""

from __future__ import annotations

import re
import secrets
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from functools import partial
from typing import Any
from urllib.parse import parse_qsl

from fastapi import Request
from starlette.concurrency import run_in_threadpool

from service.errors import Category, Problem, refuse
from service.fhir.json_text import write
from service.intake.answers import Answer
from service.intake.message import Received
from service.web.exchange import body_of, pipeline_of, sender_of
from service.web.media import parts_of
from service.web.pages.form_fields import OTHER, SIDE_EFFECTS, Field, Form

Posted = Mapping[str, str]
_MOST_FIELDS = 60
_ANSWERS = {"yes": True, "no": False}
_KEPT_WHOLE = re.compile(r"-?[0-9]{1,9}")


@dataclass(frozen=True, slots=True)
class Typed:
    """What stands in a form: the values by field, the entry's number and the revision it will have."""

    values: Posted
    entry_id: str
    revision: int = 1


def _form_fault(header: str) -> str:
    media, _ = parts_of(header)
    return "" if media == "application/x-www-form-urlencoded" else f"A form is needed here, not «{media[:60]}»."


async def posted(request: Request) -> dict[str, str]:
    """The fields of a posted form; of a field that stands there twice, the last."""
    body = await body_of(request, _form_fault)
    try:
        return dict(parse_qsl(body.decode("utf-8"), keep_blank_values=True, max_num_fields=_MOST_FIELDS))
    except ValueError:
        raise refuse(Category.NOT_PARSEABLE, "The form could not be read.") from None


def typed(form: Form, given: Posted) -> Typed:
    """What was typed into a form."""
    revision = given.get("revision", "1")
    number = int(revision) if re.fullmatch(r"[0-9]{1,4}", revision) else 1
    return Typed({f.name: given.get(f.name, "").strip() for f in form.fields}, given.get("entry_id", ""), number)


def message_of(form: Form, held: Typed, withdrawn: bool = False) -> dict[str, Any]:
    """The plain message that a form makes, as `/intake` takes it."""
    said: dict[str, Any] = {}
    for f in form.fields:
        if f.kind == "member" or f.of_other:
            continue
        part, _, name = f.name.rpartition(".")
        into = said.setdefault(part, {}) if part else said
        if (value := _value(f, held.values.get(f.name, ""))) is not None:
            into[name] = value
    for f in form.fields:
        if f.kind == "member" and held.values.get(f.name):
            name, _, word = f.name.partition(".")
            said.setdefault(name, []).append(word)
        if f.of_other and said.get(f.of_other) == OTHER and held.values.get(f.name):
            said[f.of_other] = held.values[f.name]
    if not form.kind:
        return said
    entry: dict[str, Any] = {"entry_id": held.entry_id, **said}
    if held.revision > 1:
        entry["revision"] = held.revision
    if withdrawn:
        entry["entered_in_error"] = True
    return {form.group: [entry]} if form.group else entry


def _value(field: Field, text: str) -> Any:
    """What a field says, None when it is empty. What is no number stays text, which the message's model then refuses."""
    if not text:
        return None
    if field.kind == "flag":
        return True
    if field.kind == "answer":
        return _ANSWERS.get(text, text)
    if field.kind == "whole" and _KEPT_WHOLE.fullmatch(text):
        return int(text)
    if field.kind in ("number", "whole"):
        try:
            number = Decimal(text.replace(",", "."))
        except InvalidOperation:
            return text
        return number if number.is_finite() and abs(number.adjusted()) < 9 else text
    return text


def text_of(field: Field, fields: Mapping[str, Any]) -> str:
    """What a plain message holds for a field, as it is typed into a form."""
    if field.kind == "member":
        name, _, word = field.name.partition(".")
        return "yes" if word in (fields.get(name) or ()) else ""
    value = fields.get(field.of_other or field.name)
    if value is None:
        return ""
    if field.of_other:
        return "" if value in dict(SIDE_EFFECTS) else str(value)
    if OTHER in dict(field.choices) and value not in dict(field.choices):
        return OTHER
    if isinstance(value, bool):
        return "yes" if value else "no" if field.kind == "answer" else ""
    return str(value)


async def sent(request: Request, form: Form, case_number: str, message: dict[str, Any]) -> Answer:
    """The message, taken by the same door and the same path as one from `/intake`."""
    door = form.door
    body = write(message).encode("utf-8")
    channel, who = f"page {door.name}", sender_of(request, form.role)
    received = Received(channel, body, request.state.request_id, plain=True, sender=who)
    mapping = partial(door.mapping, case_number=case_number) if door.needs_number else door.mapping
    return await run_in_threadpool(pipeline_of(request).receive, received, mapping, case_number)


def by_field(form: Form, problems: Iterable[Problem]) -> tuple[dict[str, list[str]], list[str]]:
    """The sentences of problems by the field they name, and those that name none."""
    fields: dict[str, list[str]] = {}
    rest: list[str] = []
    names = {f.name for f in form.fields if f.kind != "hidden"}
    for problem in problems:
        place = problem.path.removeprefix(form.path).removeprefix(".")
        if place in names:
            fields.setdefault(place, []).append(problem.message)
        else:
            rest.append(problem.message)
    return fields, rest


def new_entry() -> str:
    """A number for a new entry, made when its form is shown: sent twice, it is one entry."""
    return f"page-{secrets.token_hex(12)}"


def what_became(answer: Answer) -> str:
    """One word for what a message came to: stored, corrected, kept (not applied), or known already."""
    whats: Sequence[str] = [o.what for o in answer.outcomes if not o.derived]
    for word, found in (("stored", "created"), ("corrected", "updated"), ("kept", "kept")):
        if found in whats:
            return word
    return "noted" if answer.notes else "known" if whats else "stored"
