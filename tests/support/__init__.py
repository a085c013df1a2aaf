"""What the tests share: trees as data, faulty I/O, real devices, the command at a station, and a checker."""
