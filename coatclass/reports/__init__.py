"""See DEVELOPERS.md, Rooms."""
