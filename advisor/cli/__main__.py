"""Run the command line as `python -m advisor.cli`."""

from advisor.cli import main

main()
