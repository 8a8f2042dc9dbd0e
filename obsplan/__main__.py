"""The command `obsplan`, which `python -m obsplan` is too."""

import os
import signal


def run() -> None:
    """Run the command of this process's arguments; Ctrl-C while it loads ends it quietly."""
    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
        # An exception could come out of an import as another one.
        signal.signal(signal.SIGINT, lambda *_: os._exit(130))
    from obsplan.cli.main import main

    main(prog_name="obsplan")


if __name__ == "__main__":
    run()
