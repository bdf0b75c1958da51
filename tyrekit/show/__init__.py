"""Room: show."""

import sys

# jsonschema would take seconds at import to build a grammar of web addresses that no chart needs;
# a module that is None counts as not installed.
sys.modules.setdefault("rfc3987_syntax", None)  # type: ignore[arg-type]
