"""The stand link as pure encode and decode: bytes and times go in, bytes, events and deadlines come out."""
