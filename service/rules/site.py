"""What a site decides for itself: thresholds inside their ranges, whose documentation rules apply, whom patients call."""

from __future__ import annotations

from dataclasses import dataclass, field

from service.rules.thresholds import Thresholds


@dataclass(frozen=True)
class Site:
    """The thresholds in force at a site, the region whose documentation rules apply (empty: none), its own numbers.

    The telephone numbers are those of the site's own dental or physician's office, empty where it is not that office's.
    No decision reads them.
    """

    thresholds: Thresholds = field(default_factory=Thresholds)
    region: str = ""
    dentist_telephone: str = ""
    physician_telephone: str = ""
