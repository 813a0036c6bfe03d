"""Figures and the text they become; the one module that imports matplotlib, when it draws.

matplotlib comes with the extra `report`, and importing it takes longer than all the rest of a
command. Nothing here needs colour: what differs, differs in shape, hatching or place, so that a
page printed in grey says the same. Text stays text. No window system is asked for: figures are
made without pyplot.
"""

from __future__ import annotations

import io
import re
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from importlib.util import find_spec
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.axes import Axes as Axes
    from matplotlib.figure import Figure as Figure

EXTRA = "report"
"""The extra that brings matplotlib."""
WIDTH_IN = 10.0
STYLE: dict[str, Any] = {
    "svg.fonttype": "none",
    "svg.hashsalt": "linectl",  # the same shift gives the same page
    "font.family": "sans-serif",
    "font.size": 9.5,
    "text.parse_math": False,  # a dollar sign in a reason is a dollar sign
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.edgecolor": "#444",
    "axes.titlesize": 10,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "hatch.linewidth": 0.7,
    "legend.frameon": False,
    "figure.constrained_layout.use": True,
}


def can_draw() -> bool:
    """Whether matplotlib is installed."""
    return find_spec("matplotlib") is not None


@contextmanager
def drawing() -> Iterator[None]:
    """Our style, while figures are made and written. Raises ImportError without matplotlib."""
    import matplotlib as mpl

    with mpl.rc_context(STYLE), warnings.catch_warnings():
        # Text is measured with a font that need not have all letters, and shown with the reader's.
        warnings.filterwarnings("ignore", message="Glyph .* missing")
        yield


def new_figure(height_in: float) -> Figure:
    """An empty figure of the page's width."""
    from matplotlib.figure import Figure

    return Figure(figsize=(WIDTH_IN, height_in))


def legend_row(**look: Any) -> Any:
    """A line or marker that stands in a legend only."""
    from matplotlib.lines import Line2D

    return Line2D([], [], **look)


def svg(name: str, says: str, figure: Figure) -> str:
    """The figure's `<svg>` alone; its ids are its own, so that several can stand in one page.

    `says`: what it shows, for those who cannot see it.
    """
    file = io.StringIO()
    figure.savefig(file, format="svg", metadata={"Date": None, "Creator": None})
    text = file.getvalue()
    text = text[text.index("<svg") :]
    text = re.sub(r' id="([^"]+)"', rf' id="{name}-\1"', text)
    text = re.sub(r'(href="|url\()#', rf"\1#{name}-", text)
    return text.replace("<svg", f'<svg role="img" aria-label="{says}"', 1)


def png(figure: Figure) -> bytes:
    """The figure as an image, sharp enough to be printed across a page."""
    file = io.BytesIO()
    figure.savefig(file, format="png", dpi=150, metadata={"Software": None})
    return file.getvalue()
