"""``python -m vision`` is the same as the ``lastlook`` command."""

from vision.cli import main

main()
