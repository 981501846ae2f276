"""The service: the night's work, and the pages that show its answer in the morning."""
