"""`python -m tui` does what `joulebook` does."""

import sys

from tui.cli.start import main

sys.exit(main())
