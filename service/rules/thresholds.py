"""Every number the rules compare with: value, unit, permitted range, mark and source.

Guideline and published values are kept apart from house policy by their `Mark`. A site may set another
value inside the permitted range; every decision records the thresholds it used. They stand in four files by what
they are about; a value is changed there and nowhere else.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from decimal import Decimal

from service.rules.threshold import Threshold
from service.rules.thresholds_follow_up import FollowUpThresholds
from service.rules.thresholds_referral import ReferralThresholds
from service.rules.thresholds_tests import TestThresholds
from service.rules.thresholds_titration import TitrationThresholds


@dataclass(frozen=True)
class Thresholds(FollowUpThresholds, ReferralThresholds, TestThresholds, TitrationThresholds):
    """The thresholds of one site. `Thresholds()` is our default set; `with_values` makes another."""

    def __post_init__(self) -> None:
        for item in fields(self):
            held: Threshold = getattr(self, item.name)
            if held.name != item.name:
                object.__setattr__(self, item.name, replace(held, name=item.name))

    def all(self) -> tuple[Threshold, ...]:
        """Every threshold, in the order of this file."""
        return tuple(getattr(self, item.name) for item in fields(self))

    def with_values(self, values: Mapping[str, Decimal]) -> Thresholds:
        """A set with some values replaced. ValueError for an unknown name, a value out of its range or not whole."""
        changed: dict[str, Threshold] = {}
        for name, value in values.items():
            held = {t.name: t for t in self.all()}.get(name)
            if held is None:
                raise ValueError(f"there is no threshold named {name}")
            if not value.is_finite() or not held.low <= value <= held.high:
                raise ValueError(f"{name} = {value} {held.unit}: permitted are {held.low} to {held.high} {held.unit}")
            if held.whole and value != value.to_integral_value():
                raise ValueError(
                    f"{name} = {value} {held.unit}: only whole numbers from {held.low} to {held.high} are permitted"
                )
            if value == held.default:
                changed[name] = replace(held, value=value, default=None)
            elif value != held.value:
                changed[name] = replace(held, value=value, default=held.value if held.default is None else held.default)
        return replace(self, **changed)


def thresholds_from_table(table: Mapping[str, object]) -> Thresholds:
    """The set of a site's table of names and values, e.g. as read from its settings.

    ValueError with one line for every entry that is refused, naming the threshold and its permitted range.
    """
    refused: list[str] = []
    thresholds = Thresholds()
    for name, value in sorted(table.items()):
        try:
            if isinstance(value, bool) or not isinstance(value, Decimal | int):
                raise ValueError(f"{name} = {value!r}: a number is asked, written without quotes{_range_of(name)}")
            thresholds = thresholds.with_values({name: Decimal(value)})
        except ValueError as problem:
            refused.append(str(problem))
    if refused:
        raise ValueError("\n".join(refused))
    return thresholds


def _range_of(name: str) -> str:
    held = {t.name: t for t in Thresholds().all()}.get(name)
    return f"; permitted are {held.low} to {held.high} {held.unit}" if held else ""
