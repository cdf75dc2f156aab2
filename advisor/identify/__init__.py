"""Room identify: what a name or a signature means.

The calls that most people need::

    advisor.identify.processors(units)                 # a row a unit
    advisor.identify.from_text("Core 2 Duo P8400")     # one name
"""

from advisor.identify.agree import Answer
from advisor.identify.catalogue import REFERENCE
from advisor.identify.level import level_of_flags
from advisor.identify.processor import COLUMNS, processors, signature
from advisor.identify.resolve import from_text

__all__ = ["COLUMNS", "REFERENCE", "Answer", "from_text", "level_of_flags", "processors", "signature"]
