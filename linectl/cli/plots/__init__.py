"""What is drawn for people; SVG text. One file a picture; `canvas` alone knows matplotlib."""

from linectl.cli.plots.canvas import EXTRA, can_draw
from linectl.cli.plots.lanes import draw_lanes
from linectl.cli.plots.shift import SAYS, draw

__all__ = ["EXTRA", "SAYS", "can_draw", "draw", "draw_lanes"]
