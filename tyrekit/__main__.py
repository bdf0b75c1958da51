"""``python -m tyrekit``."""

import os
import sys

# python -m looks for every package in the folder at hand first, which may be a stranger's
if not sys.flags.safe_path and sys.path[:1] in ([""], [os.getcwd()]):
    del sys.path[0]

from tyrekit.commands import main

sys.exit(main())
