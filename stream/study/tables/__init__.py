"""The user's tables: ignition advance and mixture, with the evidence per cell."""
