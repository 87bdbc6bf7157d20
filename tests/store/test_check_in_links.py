"""Check-in links in both databases: one of a case holds, and what comes at once by one link is stored once."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

from sqlalchemy import text

from service.access.grant import OPEN
from service.new_id import new_id
from service.pipeline import Pipeline, check_in_links
from service.pipeline.check_in_links import Told
from tests.store.messages import opened_case, settled_course
from tests.store.whole import check_whole, rows_of

ANSWERS = Told({"snoring_0_to_10": 3, "restedness_0_to_10": 7}, 1, ("loose-tooth",))


def test_new_links_made_at_once_leave_one(pipeline: Pipeline) -> None:
    number = opened_case(pipeline, settled_course())
    with ThreadPoolExecutor(8) as pool:
        made = list(pool.map(lambda _: check_in_links.make(pipeline, OPEN, number, 14, new_id()), range(8)))
    assert len({link.secret for link in made}) == 8
    assert sum(check_in_links.opened(pipeline, link.secret) is not None for link in made) == 1


def test_the_same_answers_sent_at_once_are_one_entry(pipeline: Pipeline, database_url: str) -> None:
    number = opened_case(pipeline, settled_course())
    secret = check_in_links.make(pipeline, OPEN, number, 14, new_id()).secret
    with ThreadPoolExecutor(8) as pool:
        answers = list(pool.map(lambda _: check_in_links.take(pipeline, secret, ANSWERS, new_id()), range(8)))
    created = [o.reference for a in answers if a for o in a.outcomes if o.what == "created" and not o.derived]
    assert len(created) == 3
    assert {o.what for a in answers if a for o in a.outcomes} <= {"created", "unchanged"}
    check_whole(rows_of(database_url))
    with pipeline.database.engine.connect() as connection:
        assert connection.execute(text("SELECT uses FROM check_in_link")).scalars().all() == [8]


def test_an_ended_link_takes_nothing(pipeline: Pipeline) -> None:
    number = opened_case(pipeline, settled_course())
    secret = check_in_links.make(pipeline, OPEN, number, 14, new_id()).secret
    assert check_in_links.standing(pipeline, OPEN, number) is not None
    assert check_in_links.end(pipeline, OPEN, number, new_id())
    before = len(pipeline.messages(number))
    assert check_in_links.take(pipeline, secret, ANSWERS, new_id()) is None
    assert check_in_links.standing(pipeline, OPEN, number) is None
    assert len(pipeline.messages(number)) == before
