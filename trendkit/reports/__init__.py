"""Comes in: the results of the rooms before (SI, UTC). Goes out: pages, JSON, tables and workbooks, written
whole.

Machine files stay SI and UTC; what people read is in the plant's units and the plant's time. Nothing is
computed here.
"""

from trendkit.reports.context import PageContext
from trendkit.reports.documents import upset_rows
from trendkit.reports.drawing import drawings_kept_in
from trendkit.reports.held_against import HeldAgainst
from trendkit.reports.index_page import write_index
from trendkit.reports.jsonio import json_text
from trendkit.reports.writers import (
    require_suffix,
    upset_line,
    write_compare,
    write_quality,
    write_review,
    write_table,
    write_troubleshoot,
    write_tune,
    write_upsets,
)

__all__ = [
    "HeldAgainst",
    "PageContext",
    "drawings_kept_in",
    "json_text",
    "require_suffix",
    "upset_line",
    "upset_rows",
    "write_compare",
    "write_index",
    "write_quality",
    "write_review",
    "write_table",
    "write_troubleshoot",
    "write_tune",
    "write_upsets",
]
