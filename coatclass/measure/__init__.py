"""Measuring hair in a photo by a bank card that lies beside it."""

from coatclass.measure._card import CARD_MM, CardMeasurement, measure_by_card

__all__ = ["CARD_MM", "CardMeasurement", "measure_by_card"]
