"""Lets `python -m adapters.cli` be the command line."""

import sys

from adapters.cli import main

sys.exit(main())
