"""What is said of the referral and of a payer's documents."""

from __future__ import annotations

REFERRAL = {
    "referral.baseline-agrees": "The report of the baseline test of {on} agrees with itself.",
}
