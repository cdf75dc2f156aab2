"""Settings of the app's server."""

import os

from voila import app

from advisor.views import door

c = get_config()  # type: ignore[name-defined]  # noqa: F821
c.Voila.tornado_settings = door.settle(c)
c.Voila.connection_dir_root = os.getcwd()
c.VoilaConfiguration.template = "bench"
c.VoilaConfiguration.show_tracebacks = True
c.VoilaConfiguration.file_allowlist = []
c.VoilaConfiguration.prelaunch_hook = door.own_page_only
# A page that is closed ends its kernel; this is for pages that could not say so. Two minutes to load one are enough.
c.MappingKernelManager.cull_idle_timeout = 120
c.MappingKernelManager.cull_interval = 20
door.guard_files(app)
