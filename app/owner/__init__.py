"""The owner's side: from a photo to a kit in about two minutes, on a phone, by an unguessable link."""

from app.owner.page import owner_page

__all__ = ["owner_page"]
