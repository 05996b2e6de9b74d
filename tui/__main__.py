"""`python -m tui` does what `joulebook` does."""

import sys

from tui.cli.main import main

sys.exit(main())
