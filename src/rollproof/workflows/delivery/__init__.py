"""What post asks for: checksum files and packing lists."""
