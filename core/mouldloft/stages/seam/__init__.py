"""Stage seam: which piece owns each face, and the line between them."""
