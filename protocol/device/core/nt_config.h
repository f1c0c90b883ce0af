/* Sizes a port may change with -D; everything else that is bounded has its bound in nt_messages.h.
 *
 * All memory of the core is inside one struct nt_device; nothing is allocated. The ring is most of it. */
#ifndef NT_CONFIG_H
#define NT_CONFIG_H

#include "nt_messages.h"

/* The resend ring. 64 KiB hold about a second of blocks of 100 at 10 000 samples/s. */
#ifndef NT_RING_BYTES
#define NT_RING_BYTES 65536u
#endif

/* Blocks the ring can find again by number, a power of two; short blocks (an input changed) must not exhaust
 * it early. */
#ifndef NT_RING_BLOCKS_MAX
#define NT_RING_BLOCKS_MAX 1024u
#endif

/* Clock probes that wait for the line. The host sends one at a time; more than a few is a line that stands
 * still. */
#ifndef NT_PROBES_MAX
#define NT_PROBES_MAX 4u
#endif

/* Bytes between the receive interrupt and the main loop; a power of two. */
#ifndef NT_RX_BYTES
#define NT_RX_BYTES 2048u
#endif

/* Delimiters in those bytes whose moment of arrival is kept; a power of two. */
#ifndef NT_RX_STAMPS
#define NT_RX_STAMPS 32u
#endif

/* Temperatures that stop the drive (struct nt_board). */
#ifndef NT_TEMPERATURE_LIMITS_MAX
#define NT_TEMPERATURE_LIMITS_MAX 8u
#endif

/* A bridge at the end of its range for so long is a fault and not a kick. */
#ifndef NT_SATURATED_TRIP_MS
#define NT_SATURATED_TRIP_MS 20u
#endif

/* An open bridge or a blind encoder for so long is one. */
#ifndef NT_FAULT_TRIP_MS
#define NT_FAULT_TRIP_MS 5u
#endif

/* The same event code is raised at most this often, and at most this often when a loose cable would repeat it
 * all night. */
#define NT_EVENT_INHIBIT_MS 100u
#define NT_EVENT_LONG_INHIBIT_MS 10000u

/* Temperatures that stop the drive are looked at this often, whatever the host has set up. */
#define NT_TEMPERATURE_MS 100u

#define NT_CPU_UNKNOWN 255u /* cpu_pct of a port that does not measure it */

/* What must hold when this is compiled, at file scope: C99 has no other word for it. */
#define NT_STATIC_ASSERT(name, holds) typedef char nt_static_assert_##name[(holds) ? 1 : -1]

#define NT_BLOCK_MS_MAX 100u /* a block is no longer than this */
#define NT_STATUS_MS_MIN 10u
#define NT_STATUS_MS_MAX 10000u
#define NT_BOOT_STATUS_MS 100u

/* Longest encoding of n bytes: one code byte in 254, and the delimiter. */
#define NT_WIRE_BYTES(n) ((n) + (n) / 254u + 2u)

#define NT_REPLY_FRAME_BYTES (NT_HEADER_BYTES + NT_FIXED_SHEET_PART + NT_SHEET_PART_BYTES + NT_CRC_BYTES)
#define NT_REPLY_WIRE_BYTES NT_WIRE_BYTES(NT_REPLY_FRAME_BYTES)
#define NT_DATA_WIRE_BYTES NT_WIRE_BYTES(NT_DATA_FRAME_BYTES)

#endif
