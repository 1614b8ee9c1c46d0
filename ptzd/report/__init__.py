"""A rehearsal as something to look at, one page or one picture that stands on its own; a camera's reach as a chart."""

from .chart import chart
from .page import html_report, svg_report
