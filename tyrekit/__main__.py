"""``python -m tyrekit``."""

import sys

from tyrekit.commands import main

sys.exit(main())
