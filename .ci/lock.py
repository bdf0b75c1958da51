"""Print `name==version` for every package in a report of pip, except the kit itself."""

import json
import platform
import re
import sys
from pathlib import Path

report = json.loads(Path(sys.argv[1]).read_text(encoding="utf-8"))
found = {}
for item in report["install"]:
    about = item["metadata"]
    name = re.sub(r"[-_.]+", "-", about["name"]).lower()
    if name != "tyrekit":
        found[name] = about["version"]
print(f"# Written by .ci/lock: {platform.system()}, Python {platform.python_version()}.")
print("\n".join(f"{name}=={version}" for name, version in sorted(found.items())))
