"""Proof that the guard cannot flood, run dry or stay on; run it with ``script/prove``."""
