"""Entry point of ``python -m rigcheck``."""

from rigcheck.main import main

main()
