/* What the device really produced, for a test that compares it with what a host stored. */
#ifndef NT_NATIVE_TRUTH_H
#define NT_NATIVE_TRUTH_H

#include <stdio.h>

#include "nt_device.h"

#define NT_TRUTH_BOOTS_MAX 256u
#define NT_TRUTH_SAMPLE_BYTES 20u

struct nt_truth_boot {
    uint64_t samples;
    uint32_t blocks;
    uint32_t overwritten_unsent;
    uint32_t crc;
    uint32_t boot_id;
    uint8_t cause;
};

struct nt_truth {
    const char *path; /* NULL: nobody asked */
    FILE *log;        /* NULL: nobody asked */
    bool log_failed;
    uint32_t next_seq; /* of blocks, when last looked at */
    uint32_t boots;
    struct nt_truth_boot boot[NT_TRUTH_BOOTS_MAX];
};

/* What is wrong is said on stderr. */
bool nt_truth_open(struct nt_truth *truth, const char *path, const char *log_path);

/* Whether another boot has room. */
bool nt_truth_has_room(const struct nt_truth *truth);

void nt_truth_begin(struct nt_truth *truth, const struct nt_boot *boot);

/* A sample the device has just taken. */
void nt_truth_sample(struct nt_truth *truth, const struct nt_device *d, const struct nt_sample *sample);

/* Follows the counters of the boot under way. */
void nt_truth_follow(struct nt_truth *truth, const struct nt_device *d);

/* Writes the files out; false when that failed, with the reason on stderr. */
bool nt_truth_close(struct nt_truth *truth);

#endif
