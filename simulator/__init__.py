"""Plant physics, instruments, faults, truth and publishing."""
