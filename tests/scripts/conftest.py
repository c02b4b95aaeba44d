"""The scripts here are run by their test in a folder of their own, never by being collected."""

from pathlib import Path

collect_ignore = [path.name for path in Path(__file__).parent.glob("*.py")
                  if not path.name.startswith(("test_", "conftest"))]
