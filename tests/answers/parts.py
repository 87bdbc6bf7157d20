"""All parts of a recording by name, each on a service of its own."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path

from tests.answers import part_access, part_fhir, part_plain, part_subscriptions
from tests.answers.asking import Asker, Connected, Pair, asking
from tests.answers.part_stories import STORIES, play
from tests.journeys.story import Story


def _alone(part: Callable[[Asker], None], folder: Path, connected: Connected, region: str = "") -> list[Pair]:
    with asking(folder, connected, region) as asker:
        part(asker)
    return asker.pairs


def _story(story: Story) -> Callable[[Path, Connected], list[Pair]]:
    return partial(_alone, lambda asker: play(asker, story), region=story.region)


def _access(folder: Path, connected: Connected) -> list[Pair]:
    with part_access.two_trios(folder, connected) as (world, asker):
        part_access.walked(world, asker)
    return asker.pairs


def _door(door: str) -> Callable[[Asker], None]:
    return lambda asker: part_plain.refused_at(asker, door)


PARTS: dict[str, Callable[[Path, Connected], list[Pair]]] = {
    **{f"journey: {story.title}": _story(story) for story in STORIES},
    "plain: in order": partial(_alone, part_plain.in_order),
    "plain: bad bodies and addresses": partial(_alone, part_plain.bad_bodies),
    "plain: referrals changed in one thing": partial(_alone, part_plain.refused_referrals),
    **{f"plain: {door} changed in one thing": partial(_alone, _door(door)) for door in part_plain.DOORS},
    "fhir: reads": partial(_alone, part_fhir.reads),
    "fhir: searches": partial(_alone, part_fhir.searches),
    "fhir: writes": partial(_alone, part_fhir.writes),
    "fhir: $validate": partial(_alone, part_fhir.validated),
    "fhir: bundles": partial(_alone, part_fhir.bundles),
    "fhir: subscriptions": partial(_alone, part_subscriptions.subscriptions),
    "access: two trios": _access,
}
