"""The command line's door: what must hold before anything is imported, then the command."""

import os
import sys
import warnings
from collections.abc import Sequence

from ui.cli import process


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the command line and exit: 0 done, 2 bad input or usage, 3 device or disk failed."""
    # matrices here are small: threads of the linear algebra would only wait for each other, on a core the drive needs
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    if not sys.warnoptions:  # what a library mutters of odd numbers, or on its way out, is no line for a person
        warnings.simplefilter("ignore")
        sys.unraisablehook = lambda _: None
    words = list(sys.argv[1:] if arguments is None else arguments)
    try:
        process.listen(recording=words[:1] == ["drive"])
        process.open_streams()
        code = process.kept(words, lambda: process.finished(run(words), words))
    except process.Stop:
        code = process.stopped(words)
    except Exception:  # an extension that is being loaded makes an error of its own out of a Stop
        if not process.stopping():
            raise
        code = process.stopped(words)
    sys.exit(code)


def run(arguments: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit code; errors are one line on standard error."""
    from ui.cli.group import run as run_command

    return run_command(arguments)


if __name__ == "__main__":
    main()
