"""The benchmark page, docs/benchmarks.md with its plots, made from what benchmarks/history holds."""

from benchmarks.page.output import write

__all__ = ["write"]
