"""Room intake: from a sheet as people keep it to units.

The calls that most people need::

    raw = advisor.intake.read("intake.csv")        # text cells, headers as found
    sheet = advisor.intake.understand(raw)         # .units, .problems, .notes, .columns, .extra
    print(sheet.report())

Memory counts in GiB (a typed 8 is 8 GiB), disks in GB of 10^9 byte unless the header or the cell says GiB.
"""

from advisor.intake.reading import read, read_bytes
from advisor.intake.safety import safe_cell, safe_frame
from advisor.intake.understanding import Understood, understand

__all__ = ["Understood", "read", "read_bytes", "safe_cell", "safe_frame", "understand"]
