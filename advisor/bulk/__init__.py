"""Room bulk: sheets of any size, scored piece by piece; rows that are alike in all that decides are scored once.

    advisor.bulk.score_sheet(Path("stock.csv.zst"), Path("scored.parquet"), shop)

What comes out is, byte for byte, what `advisor.assess` gives for the whole sheet.
"""

from advisor.bulk.machines import score_partition
from advisor.bulk.run import RunResult, score_sheet

__all__ = ["RunResult", "score_partition", "score_sheet"]
