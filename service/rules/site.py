"""What a site decides for itself: its thresholds inside their permitted ranges, and whose documentation rules apply."""

from __future__ import annotations

from dataclasses import dataclass, field

from service.rules.thresholds import Thresholds


@dataclass(frozen=True)
class Site:
    """The thresholds in force at a site, and the region whose documentation rules apply (empty: none)."""

    thresholds: Thresholds = field(default_factory=Thresholds)
    region: str = ""
