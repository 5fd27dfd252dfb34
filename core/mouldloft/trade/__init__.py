"""Formulas of the trade, without meshes."""
