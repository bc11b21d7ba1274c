"""The engine of Steadypull: no window, no command line, testable without a screen."""
