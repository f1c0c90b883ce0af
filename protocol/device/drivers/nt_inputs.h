/* Debounced inputs: the pins of a board become the input word that is latched with the samples.
 *
 * An input that motion needs (guard, stop chain) is lost at once and comes back only when it has been steady;
 * one that motion must not have (a fault of the drive) comes at once and goes only when it has been steady.
 * Debouncing answers the question "which of these edges is meant?", and that question has no place here. The
 * first open reading of a bouncing guard contact is already true, and every further reading that we waited
 * for would be time in which the motor turns behind an open guard. If it was a spike and not the guard, a
 * cycle is lost and a cable wants to be mended; the other mistake is the dear one. Coming back is the
 * opposite case: a contact that bounces while it closes must not be taken for a guard that is shut, and
 * nobody is hurt by waiting.
 *
 * None of this is a safety function: guard and stop chain stop the drive by themselves, in certified
 * hardware, and these pins only listen. */
#ifndef NT_INPUTS_H
#define NT_INPUTS_H

#include <stdint.h>

#define NT_INPUTS_MAX 16u /* bits of the input word */

struct nt_inputs_config {
    uint16_t wired;                /* bits of the word that this board has */
    uint16_t active_low;           /* bits whose pin is low when the input is active */
    uint16_t needed;               /* as nt_board.inputs_for_motion: lost at once */
    uint16_t against;              /* as nt_board.inputs_against: there at once */
    uint8_t steady[NT_INPUTS_MAX]; /* samples that a change must last, at the highest rate; 0 is 1 */
};

struct nt_inputs {
    const struct nt_inputs_config *config;
    uint16_t word;                 /* NT_INPUT_ bits */
    uint8_t lasted[NT_INPUTS_MAX]; /* samples for which a pin has disagreed with its bit */
};

/* Starts on the side that forbids motion, until the pins have said otherwise for long enough. */
void nt_inputs_init(struct nt_inputs *inputs, const struct nt_inputs_config *config);

/* Takes the pins of one sample, bit n where the word has it; returns the word. */
uint16_t nt_inputs_take(struct nt_inputs *inputs, uint16_t pins);

#endif
