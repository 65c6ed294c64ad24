"""Exports and bench sheets in; blocks of observations (UTC, the export's own units) and lab samples (SI) out.

Nothing is dropped without a count, and how a file was read is said in its notes.
"""

from trendkit.exports.ahead import ReadAhead
from trendkit.exports.block import BAD, GOOD, UNCERTAIN, Block, InputFile, ReadLog, StoredExport
from trendkit.exports.check import check_exports
from trendkit.exports.discover import Inputs, find_inputs
from trendkit.exports.export import Export
from trendkit.exports.lab import LabSheet, read_lab
from trendkit.exports.opening import open_export, open_exports
from trendkit.exports.presence import require_tags
from trendkit.exports.read import input_file, read_blocks
from trendkit.exports.slips import Slips, read_slips

__all__ = [
    "BAD",
    "GOOD",
    "UNCERTAIN",
    "Block",
    "Export",
    "InputFile",
    "Inputs",
    "LabSheet",
    "ReadAhead",
    "ReadLog",
    "Slips",
    "StoredExport",
    "check_exports",
    "find_inputs",
    "input_file",
    "open_export",
    "open_exports",
    "read_blocks",
    "read_lab",
    "read_slips",
    "require_tags",
]
