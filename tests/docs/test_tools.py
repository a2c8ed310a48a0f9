"""Programs that tests compare with: the script that installs them knows every one."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

ROOT = Path(__file__).parents[2]
SCRIPT = ROOT / "scripts" / "debian-packages"


#: The Debian package of each; None for a browser, too big to install for the one test that skips without it.
PACKAGE = {"objcopy": "binutils", "ngspice": "ngspice", "chromium": None}


def test_the_programs_tests_need_are_installed_where_that_is_possible(tmp_path: Path) -> None:
    tests = (path.read_text(encoding="utf-8") for path in (ROOT / "tests").rglob("test_*.py"))
    tools = set(re.findall(r'mark\.needs_tool\("([\w-]+)"\)', "\n".join(tests)))
    assert "objcopy" in tools
    # With nothing on the PATH the script misses all it knows of, and finds no apt-get to install it with.
    shell, identity = shutil.which("sh"), shutil.which("id")
    assert shell is not None
    assert identity is not None
    (tmp_path / "id").symlink_to(identity)
    ran = subprocess.run(
        [shell, str(SCRIPT)], env={"PATH": str(tmp_path)}, capture_output=True, text=True, check=True
    )
    missed = ran.stderr.partition("will skip:")[2].split()
    assert [tool for tool in sorted(tools) if PACKAGE[tool] not in (*missed, None)] == []
