"""The web app and the command that sets everything up."""
