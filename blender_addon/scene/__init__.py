"""The plan in Blender's data: settings, reading the sculpt, result objects, what stands. No operators."""
