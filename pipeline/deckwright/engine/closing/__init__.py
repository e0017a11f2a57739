"""The end of a run: what came back and why, the sheet, the manifest, the run folder."""
