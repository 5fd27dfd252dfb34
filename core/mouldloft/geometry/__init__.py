"""Meshes, columns, rays, lines and graphs; knows nothing of moulds."""
