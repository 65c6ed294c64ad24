"""Exports of a plant nobody has described yet in; a draft of its plant file out, every guess with its reason.

Comes in: opened exports. Goes out: proposals (tag -> press, role, kind, unit) and the text of a plant file that the
loader refuses until a person has looked at every guess in it.
"""

from trendkit.drafting.draft_file import draft_text
from trendkit.drafting.facts import Facts, read_facts
from trendkit.drafting.propose import Proposal, propose

__all__ = ["Facts", "Proposal", "draft_text", "propose", "read_facts"]
