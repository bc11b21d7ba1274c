"""Where Blocks come from: serial port, recorded session, CSV log, rehearsal car."""
