"""Which coat a dog has, how long it is, how sure that is, and which tools fit it."""

import os

__version__ = "0.1.0"

# Libraries read these when they are imported, so they are set before anything else: nobody's use of this program is
# reported to anybody. onnxruntime's own switch, `disable_telemetry_events()`, comes too late for its first events.
SILENT = {
    "ORT_DISABLE_TELEMETRY": "1",
    "GRADIO_ANALYTICS_ENABLED": "False",
    "HF_HUB_DISABLE_TELEMETRY": "1",
    "NO_ALBUMENTATIONS_UPDATE": "1",
    "RAY_USAGE_STATS_ENABLED": "0",
    "DO_NOT_TRACK": "1",
}
os.environ.update(SILENT)
