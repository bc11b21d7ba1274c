"""`python -m ui`: the same as the command `steadypull`."""

from ui.cli.main import main

main()
