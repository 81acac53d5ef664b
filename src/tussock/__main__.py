"""In: ``python -m tussock``. Out: the command line."""

from tussock.cli import main

main()
