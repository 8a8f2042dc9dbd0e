"""`python -m obsplan` is the command `obsplan`."""

from obsplan.cli.main import main

main(prog_name="obsplan")
