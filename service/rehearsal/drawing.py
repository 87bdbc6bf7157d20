"""The few SVG shapes that the picture needs, written as text that carries no script and no outside reference.

https://www.w3.org/TR/SVG11/ - `title` and `desc` first, so that a screen reader says what the picture shows.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from xml.etree import ElementTree

_FONT = "system-ui, 'Segoe UI', 'Helvetica Neue', Arial, 'DejaVu Sans', sans-serif"
_NAMESPACE = "http://www.w3.org/2000/svg"


class Drawing:
    """A picture of `width` by `height` px on white."""

    def __init__(self, width: int, height: int, title: str, description: str) -> None:
        self._root = ElementTree.Element(
            "svg",
            {
                "xmlns": _NAMESPACE,
                "viewBox": f"0 0 {width} {height}",
                "width": str(width),
                "height": str(height),
                "role": "img",
                "aria-labelledby": "title desc",
                "font-family": _FONT,
            },
        )
        ElementTree.SubElement(self._root, "title", {"id": "title"}).text = title
        ElementTree.SubElement(self._root, "desc", {"id": "desc"}).text = description
        self.box(0, 0, width, height, "#ffffff")

    def box(self, x: float, y: float, width: float, height: float, fill: str, edge: str = "none") -> None:
        """A rectangle."""
        rounding = 4 if edge != "none" else 0
        self._add(
            "rect", {"x": x, "y": y, "width": width, "height": height, "fill": fill, "stroke": edge, "rx": rounding}
        )

    def text(
        self,
        x: float,
        y: float,
        words: str,
        *,
        size: int = 14,
        fill: str = "#1a1a1a",
        anchor: str = "start",
        bold: bool = False,
    ) -> None:
        """One line of text on the baseline `y`."""
        weight = "600" if bold else "400"
        style = {"fill": fill, "font-size": size, "font-weight": weight, "text-anchor": anchor}
        self._add("text", {"x": x, "y": y, **style}).text = words

    def line(self, x1: float, y1: float, x2: float, y2: float, color: str, width: float = 1) -> None:
        """A straight line."""
        self._add("line", {"x1": x1, "y1": y1, "x2": x2, "y2": y2, "stroke": color, "stroke-width": width})

    def path(self, points: Sequence[tuple[float, float]], color: str, dashes: str) -> None:
        """A line through `points`; `dashes` as in SVG, empty for a solid one."""
        dashed = {"stroke-dasharray": dashes} if dashes else {}
        style = {"fill": "none", "stroke": color, "stroke-width": 2.5}
        self._add("polyline", {"points": _joined(points), **style, **dashed})

    def mark(self, shape: str, x: float, y: float, color: str, *, hollow: bool = False, size: float = 5) -> None:
        """A `circle`, `square` or `diamond` around a point, filled or hollow."""
        paint = {"fill": "#ffffff" if hollow else color, "stroke": color, "stroke-width": 2}
        if shape == "circle":
            self._add("circle", {"cx": x, "cy": y, "r": size, **paint})
        elif shape == "square":
            self._add("rect", {"x": x - size, "y": y - size, "width": 2 * size, "height": 2 * size, **paint})
        else:
            tip = size + 1
            self._add("polygon", {"points": _joined(((x, y - tip), (x + tip, y), (x, y + tip), (x - tip, y))), **paint})

    def svg(self) -> str:
        """The finished file."""
        ElementTree.indent(self._root, " ")
        return ElementTree.tostring(self._root, encoding="unicode") + "\n"

    def _add(self, name: str, attributes: Mapping[str, str | float]) -> ElementTree.Element:
        written = {key: value if isinstance(value, str) else _px(value) for key, value in attributes.items()}
        return ElementTree.SubElement(self._root, name, written)


def _joined(points: Sequence[tuple[float, float]]) -> str:
    return " ".join(f"{_px(x)},{_px(y)}" for x, y in points)


def _px(value: float) -> str:
    return f"{value:.1f}".removesuffix(".0")
