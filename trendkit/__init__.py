"""trendkit: belt filter press exports in; defended figures, upsets and tuning pages out."""

__version__ = "0.1.0"
