"""A rehearsal as one page or one picture that stands on its own; a camera's reach as a chart; a stage plan."""

from .chart import chart
from .page import html_report, svg_report
from .stageplan import DrawnShot, drawn_plan
