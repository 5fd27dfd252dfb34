"""What the user sees and presses: operators, panels, overlay, and what happens by itself."""
