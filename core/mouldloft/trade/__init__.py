"""The trade's formulas, without meshes: laminate, panels, lifting."""
