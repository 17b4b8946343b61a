"""Questions to many runs at once: how well a part's units agree, and how well they are measured."""
