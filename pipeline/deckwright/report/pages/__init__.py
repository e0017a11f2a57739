"""Pages of HTML: the control sheet, a stopped run, the reading report, and their sections."""
