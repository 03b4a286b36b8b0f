"""Files to print or keep, each written from a presentation: sheet, shop card, intake, calendar, a salon's day."""

from coatclass.reports._link import small_photo
from coatclass.reports.calendar import calendar_ics
from coatclass.reports.salon import Coming, day_pdf, intake_pdf
from coatclass.reports.sheet import sheet_html, sheet_pdf
from coatclass.reports.shop import shop_card_pdf

__all__ = ["Coming", "calendar_ics", "day_pdf", "intake_pdf", "sheet_html", "sheet_pdf", "shop_card_pdf", "small_photo"]
