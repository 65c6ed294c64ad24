"""Role columns of one press on a regular grid (SI, UTC) in; phases, runs, figures with limits and reviews out.

Pure functions on frames: nothing here reads files. Formulas stand with their sources in loading, dose, belts,
capture and cost; sludge time in transit; errors in uncertainty.
"""

from trendkit.press.figures import FIGURES, FigurePieces, compute_figures, figure_head
from trendkit.press.gate import against_deliveries, against_tickets
from trendkit.press.record import observe
from trendkit.press.results import Compared, CostLine, Figure, FigureTable, PeriodReview
from trendkit.press.review import figures_by_day, period_figures, review_period

__all__ = [
    "FIGURES",
    "Compared",
    "CostLine",
    "Figure",
    "FigurePieces",
    "FigureTable",
    "PeriodReview",
    "against_deliveries",
    "against_tickets",
    "compute_figures",
    "figure_head",
    "figures_by_day",
    "observe",
    "period_figures",
    "review_period",
]
