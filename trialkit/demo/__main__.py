"""Make an invented trial again: ``python -m trialkit.demo FOLDER``, or ``… FOLDER --tuned``."""

import sys

from trialkit.demo import write_demo
from trialkit.wording import message

if len(sys.argv) < 2 or sys.argv[2:] not in ([], ["--tuned"]):
    sys.exit("usage: python -m trialkit.demo FOLDER [--tuned]")
for path in write_demo(sys.argv[1], tuned="--tuned" in sys.argv):
    sys.stdout.write(f"{message('cli.wrote', path=str(path))}\n")
