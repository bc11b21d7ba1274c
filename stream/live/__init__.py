"""Ring to speed and load, live: filters, holds, pinned stretches, health."""
