"""What a recorded drive tells of the measuring chain: noise, steps, dropouts, ripple, ends, lag, cross-talk."""
