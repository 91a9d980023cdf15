"""`python -m nightrake.cli`."""

from nightrake.cli.main import main

main()
