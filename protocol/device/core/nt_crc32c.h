/* CRC-32C (Castagnoli) as in RFC 3720: reflected polynomial 82F63B78, start and end FFFFFFFF. */
#ifndef NT_CRC32C_H
#define NT_CRC32C_H

#include <stddef.h>
#include <stdint.h>

#define NT_CRC_RESIDUE 0x48674BC7u /* over any bytes followed by their own CRC, little-endian */

/* The CRC of n more bytes behind those that gave `crc`; 0 to begin. */
uint32_t nt_crc32c(uint32_t crc, const uint8_t *bytes, size_t n);

#endif
