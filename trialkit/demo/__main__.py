"""Make the invented scenario again: ``python -m trialkit.demo FOLDER``."""

import sys

from trialkit.demo import write_demo

if len(sys.argv) != 2:
    sys.exit("usage: python -m trialkit.demo FOLDER")
for path in write_demo(sys.argv[1]):
    sys.stdout.write(f"wrote {path}\n")
