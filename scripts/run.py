"""Run rtcmtool from a fresh copy of the project: python3 scripts/run.py ARGUMENTS.

The first start makes a virtual environment in `.venv/` and needs the network; every further one
goes straight to `rtcmtool ARGUMENTS`. Standard input and output, signals and the exit code are
those of rtcmtool; exit code 69 means that the environment could not be made.
"""

import sys

from environment import SETUP_FAILED, Environment, SetupError, prepare, run_instead


def main(arguments: list[str]) -> int:
    """Prepare the environment and become rtcmtool."""
    environment = Environment()
    try:
        prepare(environment)
        return run_instead([*environment.command("rtcmtool"), *arguments])
    except SetupError as error:
        sys.stderr.write(f"{error}\n")
        return SETUP_FAILED
    except KeyboardInterrupt:
        sys.stderr.write("rtcmtool: interrupted; an unfinished set-up is begun anew next time\n")
        return 130


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
