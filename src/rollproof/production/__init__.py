"""The production file: drives, policy, folder template."""
