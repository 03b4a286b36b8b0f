"""Sheets and calendars, each written from a presentation."""

from coatclass.reports.sheet import sheet_html, sheet_pdf

__all__ = ["sheet_html", "sheet_pdf"]
