"""Serving orders of seed 7 for six cups and six tasters, worked out apart from blindsteep.

ChaCha20 is written here from RFC 8439 (block counter of 64 bits from 0, nonce of zeros);
SHA-256 comes from Python's standard library. Run: python3 order_seed_7.py > order_seed_7.csv
"""
import hashlib, struct

def quarter(s, a, b, c, d):
    def rot(x, n): return ((x << n) | (x >> (32 - n))) & 0xffffffff
    s[a] = (s[a] + s[b]) & 0xffffffff; s[d] = rot(s[d] ^ s[a], 16)
    s[c] = (s[c] + s[d]) & 0xffffffff; s[b] = rot(s[b] ^ s[c], 12)
    s[a] = (s[a] + s[b]) & 0xffffffff; s[d] = rot(s[d] ^ s[a], 8)
    s[c] = (s[c] + s[d]) & 0xffffffff; s[b] = rot(s[b] ^ s[c], 7)

def words(key):
    counter = 0
    while True:
        start = [0x61707865, 0x3320646e, 0x79622d32, 0x6b206574, *struct.unpack("<8I", key),
                 counter & 0xffffffff, counter >> 32, 0, 0]
        s = start[:]
        for _ in range(10):
            quarter(s, 0, 4, 8, 12); quarter(s, 1, 5, 9, 13)
            quarter(s, 2, 6, 10, 14); quarter(s, 3, 7, 11, 15)
            quarter(s, 0, 5, 10, 15); quarter(s, 1, 6, 11, 12)
            quarter(s, 2, 7, 8, 13); quarter(s, 3, 4, 9, 14)
        yield from ((x + y) & 0xffffffff for x, y in zip(s, start))
        counter += 1

stream = words(hashlib.sha256(b"blindsteep orders 1\n7\n").digest())

def below(n):
    limit = 2**32 - 2**32 % n
    while True:
        w = next(stream)
        if w < limit:
            return w % n

def shuffle(items):
    for i in range(len(items) - 1, 0, -1):
        j = below(i + 1)
        items[i], items[j] = items[j], items[i]

N = 6
letters = list(range(N)); shuffle(letters)
first = [0, 1, 5, 2, 4, 3]
square = [[letters[(c + k) % N] for c in first] for k in range(N)]
shuffle(square)   # the rows of the square
shuffle(square)   # who gets which row
for row in square:
    print(",".join(map(str, row)))
