"""Make the invented scenario again: ``python -m trialkit.demo FOLDER``."""

import sys

from trialkit.demo import write_demo
from trialkit.wording import message

if len(sys.argv) != 2:
    sys.exit("usage: python -m trialkit.demo FOLDER")
for path in write_demo(sys.argv[1]):
    sys.stdout.write(f"{message('cli.wrote', path=str(path))}\n")
