"""The kernel: many fields of one width, read from or written to many places at once.

A block of bytes is read as overlapping 64-bit words that begin at every fourth byte:

    byte   0  1  2  3 | 4  5  6  7 | 8  9 10 11 | ...
    Q[0]  [-----------------------]
    Q[1]              [------------------------]

A field of width w at bit o lies in `Q[o >> 5]`: shift left by `o & 31`, then right by `64 - w`,
logical for unsigned numbers, arithmetic on the signed view for two's complement. So one gather and
two shifts give any field up to 33 bits, sign included; wider ones are two such loads.
"""

import numpy as np
import numpy.typing as npt

Offsets = npt.NDArray[np.int64]
Signed = npt.NDArray[np.int64]
Unsigned = npt.NDArray[np.uint64]

ONE_LOAD = 33  # widest field that a single load gives, bits
_PADDING = 64  # bytes: a load of 8 bytes, or a message head of 30, may run over the end


class BitBlock:
    """A block of bytes, ready for gathering fields at bit offsets.

    Parameters
    ----------
    data : bytes
        The block.
    """

    def __init__(self, data: bytes) -> None:
        size = len(data)
        padded = np.zeros((size + _PADDING + 3) // 4 * 4, dtype=np.uint8)
        padded[:size] = np.frombuffer(data, dtype=np.uint8)
        self.bytes = padded
        words = padded.view(">u4").astype(np.uint64)
        self._quads = (words[:-1] << np.uint64(32)) | words[1:]

    def unsigned(self, offsets: Offsets, width: int) -> Unsigned:
        """Read one unsigned field at many places.

        Parameters
        ----------
        offsets : ndarray of int64, shape (n,)
            First bit of each value, counted from the first bit of the block.
        width : int
            Field width, bits, 1 to 64.

        Returns
        -------
        ndarray of uint64, shape (n,)
            Raw values, most significant bit first as on the wire.

        Raises
        ------
        IndexError
            If a value begins past the block: a bug of the caller, never a property of a stream.

        Examples
        --------
        >>> BitBlock(bytes([0xD3, 0x00, 0x13])).unsigned(np.array([14]), 10)
        array([19], dtype=uint64)
        """
        if width > ONE_LOAD:
            high = self.unsigned(offsets, width - 32) << np.uint64(32)
            return high | self.unsigned(offsets + (width - 32), 32)
        loaded: Unsigned = self._quads.take(offsets >> 5)
        loaded <<= offsets.view(np.uint64) & np.uint64(31)
        loaded >>= np.uint64(64 - width)
        return loaded

    def signed(self, offsets: Offsets, width: int) -> Signed:
        """Read one two's complement field at many places.

        Parameters and errors as `unsigned`.

        Returns
        -------
        ndarray of int64, shape (n,)
            Raw values.
        """
        if width > ONE_LOAD:
            high = self.signed(offsets, width - 32) << np.int64(32)
            return high | self.unsigned(offsets + (width - 32), 32).view(np.int64)
        loaded: Unsigned = self._quads.take(offsets >> 5)
        loaded <<= offsets.view(np.uint64) & np.uint64(31)
        values = loaded.view(np.int64)
        values >>= np.int64(64 - width)
        return values


class BitCanvas:
    """A row of zero bits to write fields into, the inverse of `BitBlock`.

    Fields are kept as 64-bit words that begin at every fourth byte, as `BitBlock` reads them, and
    put together at the end. They must not overlap.

    Parameters
    ----------
    bits : int
        Length.
    """

    def __init__(self, bits: int) -> None:
        self._size = (bits + 7) // 8
        self._places: list[Offsets] = []  # 32-bit word in which each field begins
        self._words: list[Unsigned] = []  # the field in the 64 bits that begin there

    def put(self, offsets: Offsets, width: int, values: Signed | Unsigned) -> None:
        """Write one field at many places.

        Parameters
        ----------
        offsets : ndarray of int64, shape (n,)
            First bit of each value.
        width : int
            Field width, bits, 1 to 64.
        values : ndarray of int64 or uint64, shape (n,)
            Raw values that fit; negative ones go out as two's complement.
        """
        pattern = values.view(np.uint64)
        if width > ONE_LOAD:
            self.put(offsets, width - 32, pattern >> np.uint64(32))
            offsets, width = offsets + (width - 32), 32
        word = pattern << np.uint64(64 - width)
        word >>= (offsets & 31).view(np.uint64)
        self._places.append(offsets >> 5)
        self._words.append(word)

    def tobytes(self) -> bytes:
        """Give the bits as bytes."""
        count = self._size // 4 + 2
        if not self._places:
            return bytes(self._size)
        places, words = np.concatenate(self._places), np.concatenate(self._words)
        # Fields share no bit, so their sum is their union; below 2^32 it is exact as a double.
        octets = np.bincount(places, words >> np.uint64(32), count)
        places += 1
        octets += np.bincount(places, words & np.uint64(0xFFFF_FFFF), count)
        return octets.astype(">u4").tobytes()[: self._size]
