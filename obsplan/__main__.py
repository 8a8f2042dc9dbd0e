"""The command `obsplan`, which `python -m obsplan` is too."""

import gc
import os
import signal

# New objects after which Python looks for cycles of old ones. It does so every 700 by itself, which
# takes a sixth of the time in which tables and figures are made.
OBJECTS = 50_000


def run() -> None:
    """Run the command of this process's arguments; Ctrl-C while it loads ends it quietly."""
    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:
        # An exception could come out of an import as another one.
        signal.signal(signal.SIGINT, lambda *_: os._exit(130))
    gc.set_threshold(OBJECTS, 20, 50)
    from obsplan.cli.main import main

    try:
        main(prog_name="obsplan")
    finally:
        # The system takes back all at once; to look through it first takes most of a second.
        gc.freeze()


if __name__ == "__main__":
    run()
