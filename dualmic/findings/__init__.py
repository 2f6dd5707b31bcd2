"""Where something is wrong: one file a family of problems, each a function of what was heard.

A finding carries the measurement; severity and words come later, in :mod:`dualmic.problems`.
"""

from dualmic.findings.base import Finding, Limits
from dualmic.findings.collect import all_findings

__all__ = ["Finding", "Limits", "all_findings"]
