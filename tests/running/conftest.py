"""The ways and cells of the live table, which are scripts, serve the tests in real time as well."""

import tests.scripts.conftest  # noqa: F401  # puts the scripts on the path
