"""What all tests share: the Hypothesis profile, and skipping by name where a program is missing."""

from __future__ import annotations

import os
import shutil

import pytest
from hypothesis import settings

# "ci" repeats the same examples on every run and on every machine; no deadline, because the first call
# of a compiled kernel includes its compilation. "explore" looks for new examples.
settings.register_profile("ci", derandomize=True, deadline=None, print_blob=True)
settings.register_profile("explore", deadline=None, print_blob=True, max_examples=1000)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "ci"))


def pytest_runtest_setup(item: pytest.Item) -> None:
    """Skip tests marked ``needs_tool("name")`` where that program is not installed."""
    for marker in item.iter_markers("needs_tool"):
        for tool in marker.args:
            if shutil.which(tool) is None:
                pytest.skip(f"{tool} is not installed")
