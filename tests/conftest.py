"""What all tests share."""

from hypothesis import settings

# A busy machine is no failure: how long an example takes is the bench's affair.
settings.register_profile("steadypull", deadline=None)
settings.load_profile("steadypull")
