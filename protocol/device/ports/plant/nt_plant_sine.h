/* Sines without floating point. */
#ifndef NT_PLANT_SINE_H
#define NT_PLANT_SINE_H

#include <stdint.h>

#define NT_PLANT_SINE_POINTS 256
#define NT_PLANT_SINE_BITS 15 /* an amplitude of 1 is 32767 */

/* The sine of an angle of which 2^32 are one turn; good to a ten thousandth of the amplitude. */
int32_t nt_plant_sine(uint32_t angle);

#endif
