"""After the drive: rev bands, comparison, air, road load, ignition, mixture, clocks."""
