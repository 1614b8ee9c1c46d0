"""A rehearsal as something to look at: one page, or one picture, that stands on its own."""

from .page import html_report, svg_report
