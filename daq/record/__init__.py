"""What happened, kept: runs with their readings and findings, events, the outbox, and trace files.

`Store` is synchronous and belongs to one writer thread; `AsyncStore` is that thread.
"""
