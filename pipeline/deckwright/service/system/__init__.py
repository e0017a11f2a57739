"""What the system gives: places, steps on files, clock, lock, leases, the service manager."""
