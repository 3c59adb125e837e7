"""Shared set-up of all tests."""

import logging
import sys
from pathlib import Path

ROOT = str(Path(__file__).parents[1])
if ROOT not in sys.path:
    sys.path.insert(0, ROOT)

import custom_components.stillwell  # noqa: E402 - the hub's test plug-in has a package of this name

assert custom_components.stillwell.__path__

# The hub's test plug-in asks for every statement of the recorder's database: nobody reads that.
logging.getLogger("sqlalchemy.engine").setLevel(logging.WARNING)
