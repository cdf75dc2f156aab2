"""Voila's settings: the token comes from the environment, since every user of the machine can read a command line."""

import os

c = get_config()  # type: ignore[name-defined]  # noqa: F821
c.Voila.token = os.environ["JUPYTER_TOKEN"]
