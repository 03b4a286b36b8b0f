"""Attacks on the program, kept as tests and as one command: ``python -m tests.attacks``. Loopback only, bounded."""
