"""The picture of a case page in README.md, made from the demo's invented cases.

`python -m tests.web.pages.picture` writes it anew into `examples/case-page.png`.
"""

from __future__ import annotations

import io
import sys
import tempfile
from datetime import UTC, datetime
from pathlib import Path

from PIL import Image

from tests.web.pages.browser import SETTLED, chromium, launched, running

PICTURE = Path(__file__).parents[3] / "examples" / "case-page.png"
MOST_BYTES = 150_000
WIDTH_PIXELS = 1280
HEIGHT_PIXELS = 1200
_COLOURS = 64


def shoot() -> bytes:
    """The top of the page of a case that is ready for its efficacy test, as a PNG of few colours."""
    with tempfile.TemporaryDirectory() as folder, running(Path(folder)) as demo, launched() as browser:
        demo.tell(datetime.now(UTC).date())
        page = browser.new_page(viewport={"width": WIDTH_PIXELS, "height": HEIGHT_PIXELS}, color_scheme="light")
        page.goto(f"{demo.address}/cases/{demo.numbers[SETTLED]}/page")
        return _with_few_colours(page.screenshot())


def _with_few_colours(png: bytes) -> bytes:
    """The same picture with a palette: a tenth of the bytes, and flat colours stay flat."""
    written = io.BytesIO()
    flat = Image.open(io.BytesIO(png)).convert("RGB").quantize(_COLOURS, dither=Image.Dither.NONE)
    flat.save(written, "PNG", optimize=True)
    return written.getvalue()


if __name__ == "__main__":
    if not chromium():
        sys.exit("There is no Chromium on this machine.")
    PICTURE.write_bytes(shoot())
    print(f"{PICTURE.name}: {PICTURE.stat().st_size} bytes")
