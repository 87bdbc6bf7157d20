"""A threshold file is read exactly or refused in one line."""

import re
from decimal import Decimal
from pathlib import Path

import pytest

from service.rules.thresholds import Thresholds
from service.site_file import read_site


def read(path: Path, text: str) -> Thresholds:
    file = path / "a.toml"
    file.write_text(text)
    return read_site(file).thresholds


def test_numbers_are_read_exactly(tmp_path: Path) -> None:
    held = read(tmp_path, "[thresholds]\nstable_days = 28\nwear_share = 0.85 # of the nights\n")
    assert (held.stable_days.value, held.wear_share.value) == (Decimal(28), Decimal("0.85"))
    assert held.snoring_settled == Thresholds().snoring_settled


def test_an_empty_table_or_none_is_the_default_set(tmp_path: Path) -> None:
    assert read(tmp_path, "[thresholds]\n") == Thresholds()
    assert read(tmp_path, "") == Thresholds()


def test_the_region_is_read(tmp_path: Path) -> None:
    file = tmp_path / "a.toml"
    file.write_text('region = "US"\n')
    assert read_site(file).region == "US"


def test_the_own_offices_numbers_are_read(tmp_path: Path) -> None:
    file = tmp_path / "a.toml"
    file.write_text('[telephone]\ndentist = "+1 555 0100"\n')
    site = read_site(file)
    assert (site.dentist_telephone, site.physician_telephone) == ("+1 555 0100", "")


REFUSED = [
    ("[telephone]\ndentist = 5550100\n", "dentist = 5550100: a telephone number is asked"),
    ("[telephone]\ndentist = 'call us'\n", "a telephone number is asked"),
    ("[telephone]\nlaboratory = '5550100'\n", "telephone is a table [telephone] with dentist, physician or both"),
    ("telephone = '5550100'\n", "telephone is a table [telephone]"),
    ("[thresholds]\nstable_days = 3\n", "stable_days = 3 d: permitted are 7 to 90 d"),
    ("[thresholds]\nstable_days = 14.5\n", "stable_days = 14.5 d: "),
    ("[thresholds]\nstabel_days = 14\n", "there is no threshold named stabel_days"),
    ("[thresholds]\nstable_days = '14'\n", "a number is asked"),
    ("[thresholds]\nstable_days = true\n", "a number is asked"),
    ("[thresholds]\nstable_days = nan\n", "stable_days = NaN d: permitted are 7 to 90 d"),
    ("[thresholds]\nstable_days = inf\n", "stable_days = Infinity d: permitted are 7 to 90 d"),
    ("[thresholds]\nwear_share = 1e-400\n", "permitted are 0.5 to 1"),
    ("[thresholds]\nnormal_index = 6\n", "permitted are 5 to 5"),
    ("stable_days = 14\n", "only region and tables [telephone] and [thresholds] are known, found stable_days"),
    (
        "[thresholds]\n[parameters]\nahi_mean = 3\n",
        "only region and tables [telephone] and [thresholds] are known, found parameters",
    ),
    ("region = 'GB'\n", "region is US or left out"),
    ("thresholds = 14\n", "thresholds is not a table [thresholds]"),
    ("[thresholds\n", "the file is not TOML"),
    ("[thresholds]\nstable_days = 14\nstable_days = 21\n", "the file is not TOML"),
    (f"[thresholds]\nstable_days = {'9' * 5000}\n", "a number or a nesting that cannot be read"),
    (f"[thresholds]\nstable_days = {'[' * 5000}\n", "a number or a nesting that cannot be read"),
]


@pytest.mark.parametrize(("text", "why"), REFUSED, ids=range(len(REFUSED)))
def test_refused_with_the_reason(tmp_path: Path, text: str, why: str) -> None:
    with pytest.raises(ValueError, match=re.escape(why)):
        read(tmp_path, text)


def test_refused_when_not_text(tmp_path: Path) -> None:
    (tmp_path / "a.toml").write_bytes(b"\xff\xfe")
    with pytest.raises(ValueError, match="not UTF-8"):
        read_site(tmp_path / "a.toml")
