"""Figures, pages and sheets."""
