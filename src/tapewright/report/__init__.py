"""Figures and the report page. Importing it loads the figure library: import it where it is used."""

from tapewright.report.page import report_html, write_report
from tapewright.report.pictures import Picture, draw_pictures
from tapewright.report.sound import survey_sound

__all__ = ["Picture", "draw_pictures", "report_html", "survey_sound", "write_report"]
