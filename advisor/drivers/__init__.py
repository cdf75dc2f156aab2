"""What the kernel of an image does with a unit's devices, and the firmware they need."""

from advisor.drivers.frames import DeviceVerdicts, PlacedDevices, assess
from advisor.drivers.table import DriverTable
from advisor.drivers.table_files import load, load_firmware

__all__ = ["DeviceVerdicts", "DriverTable", "PlacedDevices", "assess", "load", "load_firmware"]
