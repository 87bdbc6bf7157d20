"""Forms for an office without a system of its own: they make plain messages, and correct or withdraw entries."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any
from urllib.parse import quote, urlencode

from fastapi import APIRouter, Request, Response
from starlette.concurrency import run_in_threadpool

from service.access.grant import Office
from service.errors import Category, Problem, Refused, refuse
from service.pipeline.page_reads import EntryRead, entry_read, is_case, laboratory_of, open_proposal
from service.web import csrf
from service.web.audit import note_case
from service.web.exchange import grant_of, pipeline_of, seen_by_sender
from service.web.pages.catalogue import FORMS
from service.web.pages.form_fields import Form
from service.web.pages.history import in_words
from service.web.pages.messages import Typed, by_field, message_of, new_entry, posted, sent, text_of, typed, what_became
from service.web.pages.offered import needs_offer
from service.web.pages.render import HEADERS, page
from service.web.pages.routes import PageRoute
from service.web.problems import STATUS

router = APIRouter(prefix="/cases/{case_number}/forms", tags=["Pages"], include_in_schema=False, route_class=PageRoute)
_ELSEWHERE = "This form did not come from this page, or its page is too old. Nothing was stored; please send it again."


def _form(key: str) -> Form:
    if key not in FORMS:
        raise refuse(Category.NOT_FOUND, "There is no such form.")
    return FORMS[key]


@router.get("/{key}")
async def show(request: Request, case_number: str, key: str) -> Response:
    """An empty form; fields named in the query are filled in."""
    form, pipeline = _form(key), seen_by_sender(request, "r", "*")
    if not await run_in_threadpool(is_case, pipeline, case_number):
        raise refuse(Category.NOT_FOUND, f"There is no case {case_number}.")
    needs_offer(request, form)
    note_case(request, case_number)
    today = pipeline.today().isoformat()
    values = {f.name: request.query_params.get(f.name, today if f.today else f.first)[:500] for f in form.fields}
    if form.key == "test-order":
        values |= {
            "order_number": new_entry(),
            "proposal": await run_in_threadpool(open_proposal, pipeline, case_number),
        }
    if form.key == "efficacy-test":
        number, name = await run_in_threadpool(laboratory_of, pipeline, case_number, _own_laboratory(request))
        values = {"laboratory.id": number, "laboratory.name": name} | {n: v for n, v in values.items() if v}
    return _shown(request, form, case_number, Typed(values, new_entry()))


@router.post("/{key}")
async def take(request: Request, case_number: str, key: str) -> Response:
    """Store what was typed, or show it again with what is wrong next to each field."""
    return await _take(request, _form(key), case_number)


@router.get("/{key}/{entry_id}")
async def correct(request: Request, case_number: str, key: str, entry_id: str) -> Response:
    """The form with an entry as it stands, to be corrected."""
    form, held = await _held(request, case_number, key, entry_id)
    return _shown(request, form, case_number, _typed_of(form, held), correcting=True)


@router.post("/{key}/{entry_id}")
async def take_correction(request: Request, case_number: str, key: str, entry_id: str) -> Response:
    """Store the correction of an entry."""
    return await _take(request, _form(key), case_number, entry_id)


@router.get("/{key}/{entry_id}/withdraw")
async def ask_to_withdraw(request: Request, case_number: str, key: str, entry_id: str) -> Response:
    """Ask whether an entry was made in error."""
    form, held = await _held(request, case_number, key, entry_id)
    return _asked(request, form, case_number, held, [])


@router.post("/{key}/{entry_id}/withdraw")
async def withdraw(request: Request, case_number: str, key: str, entry_id: str) -> Response:
    """Withdraw an entry for good: it stays in the history, marked as entered in error."""
    form, held = await _held(request, case_number, key, entry_id)
    given = await posted(request)
    if not csrf.is_ours(request, given.get(csrf.FIELD, "")):
        return _asked(request, form, case_number, held, [Problem(Category.BUSINESS_RULE, _ELSEWHERE)], 403)
    try:
        await sent(request, form, case_number, message_of(form, _typed_of(form, held), withdrawn=True))
    except Refused as refused:
        return _asked(request, form, case_number, held, refused.problems, STATUS[refused.problems[0].category])
    return _back(case_number, "withdrawn", form, entry_id)


async def _held(request: Request, case_number: str, key: str, entry_id: str) -> tuple[Form, EntryRead]:
    form = _form(key)
    if not form.kind:
        raise refuse(Category.NOT_FOUND, "Entries of that kind cannot be corrected here.")
    pipeline = seen_by_sender(request, "r", "*")
    held = await run_in_threadpool(entry_read, pipeline, case_number, form.kind, entry_id)
    note_case(request, case_number)
    if held.withdrawn:
        raise refuse(Category.BUSINESS_RULE, "This entry was entered in error and stays so; make a new one.")
    return needs_offer(request, form), held


def _typed_of(form: Form, held: EntryRead) -> Typed:
    values = {f.name: text_of(f, held.fields) for f in form.fields}
    return Typed(values, held.entry_id, held.revision + 1)


def _own_laboratory(request: Request) -> str:
    """The organisation of a laboratory that fills in its own report; empty for whoever else does."""
    grant = grant_of(request)
    return grant.organisation if grant.offices == {Office.SLEEP_LAB} else ""


def _timed(request: Request, form: Form, message: dict[str, Any]) -> dict[str, Any]:
    """A red flag closed today is closed now: what is reported later in the day must not pass as answered."""
    pipeline = pipeline_of(request)
    if form.key == "red-flag-closure" and message.get("closed_on") == pipeline.today().isoformat():
        return {**message, "closed_on": pipeline.local_time()}
    return message


async def _take(request: Request, form: Form, case_number: str, entry_id: str = "") -> Response:
    given = await posted(request)
    held = typed(form, given)
    if entry_id:
        held = Typed(held.values, entry_id, max(held.revision, 2))
    if not csrf.is_ours(request, given.get(csrf.FIELD, "")):
        problems = [Problem(Category.BUSINESS_RULE, _ELSEWHERE)]
        return _shown(request, form, case_number, held, problems, 403, correcting=bool(entry_id))
    try:
        answer = await sent(request, form, case_number, _timed(request, form, message_of(form, held)))
    except Refused as refused:
        status = STATUS[refused.problems[0].category]
        return _shown(request, form, case_number, held, refused.problems, status, correcting=bool(entry_id))
    return _back(case_number, what_became(answer), form, held.entry_id if form.kind else "")


def _shown(
    request: Request,
    form: Form,
    case_number: str,
    held: Typed,
    problems: Iterable[Problem] = (),
    status: int = 200,
    correcting: bool = False,
) -> Response:
    """The form with what was typed; sentences about it stand at their fields and, all together, above them."""
    wrong, rest = by_field(form, problems)
    return _with_token(
        request,
        "form.html",
        status,
        form=form,
        case_number=case_number,
        held=held,
        wrong=wrong,
        rest=rest,
        correcting=correcting,
        today=pipeline_of(request).today().isoformat(),
    )


def _asked(
    request: Request, form: Form, case_number: str, held: EntryRead, problems: Iterable[Problem], status: int = 200
) -> Response:
    return _with_token(
        request,
        "withdraw.html",
        status,
        form=form,
        case_number=case_number,
        entry_id=held.entry_id,
        words=in_words(form.kind, held.fields),
        problems=[p.message for p in problems],
    )


def _with_token(request: Request, template: str, status: int, **shown: object) -> Response:
    token = csrf.token_of(request)
    return csrf.give(request, page(request, template, status, token=token, token_field=csrf.FIELD, **shown), token)


def _back(case_number: str, what: str, form: Form, entry_id: str) -> Response:
    """To the case, so that a reload sends nothing again."""
    told: Mapping[str, str] = {"done": what, "form": form.key} | ({"entry": entry_id} if entry_id else {})
    return Response(
        status_code=303, headers={**HEADERS, "Location": f"/cases/{quote(case_number)}/page?{urlencode(told)}"}
    )
