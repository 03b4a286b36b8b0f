"""Which coat a dog has, how long it is, how sure that is, and which tools fit it."""

__version__ = "0.1.0"
