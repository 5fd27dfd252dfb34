"""What goes in beside the mesh: the brief and the catalogue of materials."""
