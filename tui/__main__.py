"""`python -m tui` does what `joulebook` does."""

import sys

from tui.cli import main

sys.exit(main())
