"""Lets the proof import the engine without the hub, when it runs outside of pytest."""

import sys
from pathlib import Path
from types import ModuleType

PACKAGE = "custom_components.stillwell"
ROOT = Path(__file__).resolve().parents[2]


def engine_alone() -> None:
    """Register the integration's package without running its hub part."""
    if PACKAGE not in sys.modules:
        package = ModuleType(PACKAGE)
        package.__path__ = [str(ROOT / "custom_components" / "stillwell")]
        sys.modules[PACKAGE] = package
