"""What instruments say, without I/O: bytes in, events out; no socket, port, radio or clock in sight.

Each codec keeps what it has not understood yet ("not enough yet" is an empty list, not an error) and gives
the same events however the bytes are cut. Import the module you need: `modbus`, `scpi`, `lines`, `gatt`, `bthome`.
"""
