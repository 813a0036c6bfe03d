"""Controllers killed with SIGKILL in the middle of moves, over real wires; disks that fail."""
