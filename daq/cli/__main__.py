"""`python -m daq.cli`: the command, where no script is installed."""

from daq.cli import main

main()
