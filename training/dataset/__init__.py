"""The published data set: our labels, the documents that describe them, and the way to fetch the photos they name."""
