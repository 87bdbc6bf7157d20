"""Thresholds of the referral, candidacy and a payer's documents."""

from __future__ import annotations

from dataclasses import dataclass

from service.rules.threshold import NONE_FOUND, Mark, Threshold, threshold

PETIT = "Petit 2002, doi 10.1164/rccm.2008167"
LCD = "CMS LCD L33611"


@dataclass(frozen=True)
class ReferralThresholds:
    """Thresholds of the referral, candidacy and a payer's documents."""

    adult_years: Threshold = threshold(
        "18", "a", "18", "21", Mark.POLICY, "none", "age below which a case is outside scope"
    )
    baseline_recent_days: Threshold = threshold(
        "730", "d", "180", "1825", Mark.POLICY, NONE_FOUND, "age of a baseline test that still speaks for a referral"
    )
    protrusive_range_mm: Threshold = threshold(
        "6", "mm", "4", "8", Mark.PUBLISHED, PETIT, "protrusive range below which an appliance may not help"
    )
    teeth_in_arch: Threshold = threshold(
        "10",
        "{teeth}",
        "6",
        "12",
        Mark.QUOTED,
        "entry rule of a trial",
        "teeth in an arch that hold an appliance",
    )
    coverage_index: Threshold = threshold(
        "15", "{events}/h", "15", "15", Mark.QUOTED, LCD, "index that needs no other reason"
    )
    coverage_events: Threshold = threshold("30", "{events}", "30", "30", Mark.QUOTED, LCD, "events beside that index")
    coverage_low_index: Threshold = threshold(
        "5", "{events}/h", "5", "5", Mark.QUOTED, LCD, "lowest index with another reason"
    )
    coverage_low_end: Threshold = threshold("14", "{events}/h", "14", "14", Mark.QUOTED, LCD, "end of that lower band")
    coverage_low_events: Threshold = threshold(
        "10", "{events}", "10", "10", Mark.QUOTED, LCD, "events beside that lower band"
    )
    coverage_high_index: Threshold = threshold(
        "30", "{events}/h", "30", "30", Mark.QUOTED, LCD, "index above which PAP counts"
    )
    small_range_mm: Threshold = threshold(
        "5",
        "mm",
        "3",
        "6",
        Mark.QUOTED,
        "a page quoting the limit",
        "protrusive range below which the caution is strong",
    )
    epworth_before_days: Threshold = threshold(
        "730",
        "d",
        "90",
        "1825",
        Mark.POLICY,
        NONE_FOUND,
        "days before a delivery within which an Epworth total speaks for the baseline",
    )
    coverage_hours: Threshold = threshold(
        "2", "h", "2", "2", Mark.QUOTED, LCD, "recorded sleep that the index is taken over"
    )
    coverage_days: Threshold = threshold(
        "90", "d", "90", "90", Mark.MEMORY, "none verified", "days after delivery that a payer counts"
    )
