/* Test only, with -DNT_FIXED_STREAM: the image opens its own session and streams without a host, so that what
 * it sends can be compared byte by byte.
 *
 * The core is told whole milliseconds, one after the other, and the next one not before the work of the last
 * is done. So the bytes depend on the sources alone: not on how many instructions a compiler makes of them,
 * which Cortex-M runs them, or how fast. */
#ifndef NT_MPS2_FIXED_STREAM_H
#define NT_MPS2_FIXED_STREAM_H

#include "nt_device.h"

#ifdef NT_FIXED_STREAM
#define NT_STREAM_IS_FIXED true
#else
#define NT_STREAM_IS_FIXED false
#endif

#define NT_FIXED_STREAM_TICKS 1000u        /* from one tick that the core is told to the next */
#define NT_FIXED_STREAM_START_TICK 100000u /* the device begins here; boot takes less */
#define NT_FIXED_STREAM_BOOT_ID 0x0F1DE57Bu

/* Waits for the start tick and takes the fixed boot id. */
void nt_fixed_stream_begin(struct nt_boot *boot);

/* The tick as the core is told it. */
uint64_t nt_fixed_stream_tick(void);

/* Nothing is left to do at this tick: goes on to the next one when the clock is there. True when it did. */
bool nt_fixed_stream_done(void);

/* What a host would send; call it every turn. */
void nt_fixed_stream_feed(struct nt_device *device, uint64_t tick);

#endif
