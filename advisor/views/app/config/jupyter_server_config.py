"""Settings of the notebook's server."""

from advisor.views import door

c = get_config()  # type: ignore[name-defined]  # noqa: F821
c.ServerApp.tornado_settings = door.settle(c)
c.ServerApp.allow_unauthenticated_access = False
# It hands out pictures in the folder without asking for the token.
c.ServerApp.jpserver_extensions = {"voila.server_extension": False}
# The notebook waits, run, for its page; one kernel, however often the page is loaded.
c.MappingKernelManager.cull_idle_timeout = 3600
c.MappingKernelManager.cull_interval = 60
