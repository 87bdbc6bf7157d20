"""The picture on the front page shows a page as it is, and stays small."""

from __future__ import annotations

import io

import pytest
from PIL import Image

from tests.manuals import FRONT_PAGE, ROOT
from tests.web.pages.browser import chromium
from tests.web.pages.picture import HEIGHT_PIXELS, MOST_BYTES, PICTURE, WIDTH_PIXELS, shoot


def test_the_front_page_shows_the_picture_that_was_made() -> None:
    assert f"]({PICTURE.relative_to(ROOT).as_posix()})" in FRONT_PAGE
    assert Image.open(PICTURE).size == (WIDTH_PIXELS, HEIGHT_PIXELS)
    assert PICTURE.stat().st_size < MOST_BYTES


@pytest.mark.skipif(not chromium(), reason="no Chromium on this machine")
@pytest.mark.xdist_group("chromium")
def test_the_picture_can_be_made_anew() -> None:
    pytest.importorskip("playwright.sync_api", reason="no playwright: install the dev extra")
    made = shoot()
    assert len(made) < MOST_BYTES
    picture = Image.open(io.BytesIO(made))
    assert picture.size == (WIDTH_PIXELS, HEIGHT_PIXELS)
    assert len(picture.convert("RGB").getcolors(1_000_000) or []) > 10
