"""CRC-24Q, through a library.

Width 24, polynomial 0x1864CFB, start value 0, not reflected, no final XOR (from memory of
RTCM 10403.x, transport layer). Over a whole frame including its three CRC bytes it gives 0.
"""

import anycrc

crc24q = anycrc.CRC(width=24, poly=0x864CFB, init=0, refin=False, refout=False, xorout=0).calc
