"""An examination on a page, on a terminal, and as a layout and job to begin with."""
