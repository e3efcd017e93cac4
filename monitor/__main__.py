"""`python -m monitor` is `warmstraw`."""

import sys

from monitor.cli import main

sys.exit(main())
