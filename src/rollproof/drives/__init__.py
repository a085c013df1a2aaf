"""What a destination is: device identity, free space, limits of its file system."""
