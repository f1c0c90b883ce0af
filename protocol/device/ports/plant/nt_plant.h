/* A bench of numbers: an actuator with friction, cogging and ripple behind a drive, a bridge and an encoder. It stands in
 * for hardware in the native and the emulated port.
 *
 * Integers only in what runs for every sample: a Cortex-M3 has no floating point, and the same seed gives the same samples
 * on every machine. */
#ifndef NT_PLANT_H
#define NT_PLANT_H

#include "nt_port.h"
#include "nt_sampler.h"

struct nt_plant;

/* Starts a bench at rest; the same seed gives the same unit and the same noise. */
void nt_plant_init(struct nt_plant *plant, uint32_t seed, uint32_t rate_hz);

/* The next sample at the present rate: torque, encoder, inputs and flags; the tick is the caller's. */
void nt_plant_sample(struct nt_plant *plant, struct nt_sample *sample);

/* The functions of struct nt_port, with the plant as their context. */
void nt_plant_port(struct nt_plant *plant, struct nt_port *port);

/* The board this plant belongs to; serial and build are the port's to change in a copy. */
extern const struct nt_board nt_plant_board;

#endif
