/* Samples of a recording in place of the plant's. */
#ifndef NT_NATIVE_RECORDING_H
#define NT_NATIVE_RECORDING_H

#include "nt_sampler.h"

#define NT_RECORDING_SAMPLES_MAX 4000000u

struct nt_recording {
    uint32_t count; /* 0: there is none */
    uint32_t at;
    int64_t shift; /* of the encoder, by the rounds before */
    int32_t torque[NT_RECORDING_SAMPLES_MAX];
    int64_t encoder[NT_RECORDING_SAMPLES_MAX];
};

/* Reads a CSV with the columns torque_raw,encoder; what is wrong is said on stderr, with its line. */
bool nt_recording_read(struct nt_recording *recording, const char *path);

/* Puts the next torque and encoder into a sample. After the last one it begins again; the encoder goes on by
 * the step between the last two. */
void nt_recording_play(struct nt_recording *recording, struct nt_sample *sample);

#endif
