"""Check the whole project: python3 scripts/test.py [--fast] [arguments of pytest].

Format, lint, types, rooms (which part may import which) and tests, in this order, in the virtual
environment of `.venv/`, which the first start makes. All steps run, also after a failure, and the
exit code is not 0 when any failed. `--fast` is for the inner loop: format, lint and the quick
tests, up to the first failure.
"""

import os
import subprocess
import sys
import time

from environment import SETUP_FAILED, Environment, SetupError, prepare

# Arguments of pytest that choose the number of processes, or go only with one.
OWN_PROCESSES = ("-n", "--numprocesses", "--dist", "--pdb", "--trace", "-pno:xdist", "no:xdist")


def main(arguments: list[str]) -> int:
    """Prepare the environment, run all steps, tests last."""
    if "--help" in arguments or "-h" in arguments:
        print(__doc__)
        return 0
    environment = Environment()
    try:
        prepare(environment, ("dev",))
        return check(environment, arguments)
    except SetupError as error:
        sys.stderr.write(f"{error}\n")
        return SETUP_FAILED
    except KeyboardInterrupt:
        sys.stderr.write("interrupted\n")
        return 130


def check(environment: Environment, arguments: list[str]) -> int:
    """Run the steps; give 0 when all went well."""
    fast = "--fast" in arguments
    further = [argument for argument in arguments if argument != "--fast"]
    failed = [
        name
        for name, command in checkers(environment, fast=fast)
        if not passes(name, command, environment)
    ]
    if failed:
        print(f"failed so far: {', '.join(failed)} (see above); the tests follow")
    print("pytest ...", flush=True)
    command = [str(environment.python), "-m", "pytest", *pytest_options(further, fast=fast)]
    code = subprocess.run(
        command, cwd=environment.project, stdin=subprocess.DEVNULL, check=False
    ).returncode
    return code or (1 if failed else 0)


def checkers(environment: Environment, *, fast: bool) -> list[tuple[str, list[str]]]:
    """Give name and command of the steps before the tests."""
    module = [str(environment.python), "-m"]
    steps = [
        ("ruff format --check", [*module, "ruff", "format", "--check"]),
        ("ruff check", [*module, "ruff", "check"]),
    ]
    if not fast:
        steps += [
            ("mypy", [*module, "mypy"]),
            ("lint-imports", environment.command("lint-imports")),
        ]
    return steps


def passes(name: str, command: list[str], environment: Environment) -> bool:
    """Run one step and print a line about it, after what it said when it failed."""
    print(f"{name} ...", flush=True)
    began_s = time.monotonic()
    result = subprocess.run(
        command,
        cwd=environment.project,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        check=False,
    )
    took_s = time.monotonic() - began_s
    if result.returncode:
        sys.stdout.flush()
        sys.stdout.buffer.write(result.stdout)
    print(f"{name}: {'FAILED' if result.returncode else 'ok'} ({took_s:.1f} s)", flush=True)
    return result.returncode == 0


def pytest_options(further: list[str], *, fast: bool) -> list[str]:
    """Give the arguments of pytest: ours first, so that those of the caller win."""
    if fast:
        return ["-q", "-m", "not slow", "-x", *further]
    if any(argument.startswith(OWN_PROCESSES) for argument in further):
        return ["-q", *further]
    # Two for each processor: many tests wait for what happens in real time.
    return ["-q", "-n", str(2 * processor_count()), "--dist", "worksteal", *further]


def processor_count() -> int:
    """Count the processors this process may use."""
    if sys.platform == "linux":
        count: int | None = len(os.sched_getaffinity(0))
    else:
        count = os.cpu_count()
    return count or 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
