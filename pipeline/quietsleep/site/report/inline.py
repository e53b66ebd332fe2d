"""Pictures of the plotting library as they may stand inside a page that forbids styles.

A page with a strict policy takes no `style` of an element, so styles become attributes. Colours
become those of the page, so that a picture follows light and dark; and no two pictures of a page
share an id.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from xml.etree import ElementTree

from markupsafe import Markup, escape

from quietsleep.site.words import seen

# What the library draws with, and the colour of the page that it stands for.
INK, SOFT, LINE, FAINT = "#010101", "#020202", "#030303", "#040404"
SERIES = ("#050505", "#060606", "#070707", "#080808")
SHEET = "#090909"
_VARIABLES = {INK: "ink", SOFT: "soft", LINE: "line", FAINT: "faint", SHEET: "sheet"} | {
    colour: f"series-{number}" for number, colour in enumerate(SERIES, 1)
}
_SVG, _LINK = "{http://www.w3.org/2000/svg}", "{http://www.w3.org/1999/xlink}href"
_FONT = re.compile(r"(?:(?P<weight>bold|\d00) )?(?P<size>[\d.]+)px\s.*")
# What nothing is lost by: the page says the font, and lines are joined alike.
_LEFT_OUT = {"font-family", "font-style", "white-space", "stroke-linejoin", "stroke-linecap"}


def inlined(svg: str, *, name: str, title: str) -> Markup:
    """Return a picture of the library to stand inside a page.

    `name` begins every id that is needed; `title` is what a screen reader meets. Names of groups
    that are not referred to become classes.
    """
    root = ElementTree.fromstring(svg)
    needed = set(re.findall(r"url\(#([^)]+)\)", svg)) | {
        (element.get(_LINK) or "#")[1:] for element in root.iter()
    }
    return Markup(_written(root, name=name, title=title, needed=needed))


def _written(root: ElementTree.Element, *, name: str, title: str, needed: set[str]) -> str:
    said = escape(seen(title))
    body = "".join(_element(child, name, needed) for child in root)
    box = escape(root.get("viewBox") or "")
    return f'<svg class="plot" viewBox="{box}" role="img" aria-label="{said}">{body}</svg>'


def _element(element: ElementTree.Element, name: str, needed: set[str]) -> str:
    tag = element.tag.removeprefix(_SVG) if isinstance(element.tag, str) else ""
    if not tag or tag.startswith("{") or tag in ("metadata", "style", "title"):
        return ""
    attributes = "".join(
        f' {key}="{escape(value)}"' for key, value in _attributes(element, name, needed)
    )
    inner = str(escape(seen(element.text))) if element.text and element.text.strip() else ""
    inner += "".join(_element(child, name, needed) for child in element)
    if not inner and tag in ("defs", "g"):
        return ""
    return f"<{tag}{attributes}>{inner}</{tag}>" if inner else f"<{tag}{attributes}/>"


def _attributes(
    element: ElementTree.Element, name: str, needed: set[str]
) -> Iterator[tuple[str, str]]:
    for key, value in element.attrib.items():
        if key == "id":
            if value in needed:
                yield "id", f"{name}-{value}"
            elif not re.search(r"_\d+$", value):
                yield "class", value
        elif key == _LINK:
            yield "href", f"#{name}-{value.removeprefix('#')}"
        elif key == "style":
            yield from _style(value)
        elif not key.startswith("{"):
            yield key, _own(value, name)


def _style(style: str) -> Iterator[tuple[str, str]]:
    for part in style.split(";"):
        key, _, value = (text.strip() for text in part.partition(":"))
        if key == "font" and (font := _FONT.match(value)):
            yield "font-size", font["size"]
            if font["weight"]:
                yield "font-weight", font["weight"]
        elif key and key not in _LEFT_OUT:
            variable = _VARIABLES.get(value)
            yield key, f"var(--{variable})" if variable else value.removesuffix("px")


def _own(value: str, name: str) -> str:
    return re.sub(r"url\(#", f"url(#{name}-", value)
