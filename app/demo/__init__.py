"""An invented salon to try the app on."""
