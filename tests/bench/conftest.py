"""Where the bench's measurements write their results, and what they are slowed down by."""

import asyncio
import json
import logging
import sys
from pathlib import Path

ROOT = Path(__file__).parents[2]
for folder in (Path(__file__).parent, ROOT, ROOT / "tests" / "engine"):
    if str(folder) not in sys.path:
        sys.path.insert(0, str(folder))

import custom_components.stillwell  # noqa: E402, F401 - before the test plug-in's own package
import pytest  # noqa: E402

# The test plug-in has every query to the database and every entity logged; a hub as it comes
# logs warnings.
logging.disable(logging.INFO)


def pytest_addoption(parser):
    """Add the options of the bench.

    Not called --out: another bench that is told of the candidate beside this file has its own.
    """
    parser.addoption(
        "--results", default=str(ROOT / "build" / "bench"), help="folder for the results"
    )
    parser.addoption("--years-back", type=float, default=1.0, help="length of the backfill")


@pytest.fixture(autouse=True)
async def enable_event_loop_debug():
    """The test plug-in turns asyncio debug on; that would distort every cost."""
    asyncio.get_running_loop().set_debug(enabled=False)
    logging.getLogger().setLevel(logging.ERROR)


@pytest.fixture
def save_as(request):
    """Write one result."""
    out = Path(request.config.getoption("--results"))
    out.mkdir(parents=True, exist_ok=True)

    def _save(name, obj):
        (out / f"{name}.json").write_text(json.dumps(obj, indent=1, default=float))

    return _save
