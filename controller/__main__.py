"""``python -m controller``: the command line without its installed name."""

from controller.cli import main

main(prog_name="wardian")
