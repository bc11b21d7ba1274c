"""The printed session: one content model, two writers."""
