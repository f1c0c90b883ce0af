/* What is asked for on the command line. */
#ifndef NT_NATIVE_OPTIONS_H
#define NT_NATIVE_OPTIONS_H

#include "nt_port.h"

#define NT_SERIAL_CHARS_MAX 16u
#define NT_DRIFT_PPM_MAX 1000

struct nt_options {
    const char *link; /* the one that must be there */
    const char *recording;
    const char *keep;
    const char *truth;
    const char *log_samples;
    const char *serial;
    int64_t drift_ppb;
    uint32_t rate_hz;
    uint32_t seed;
    uint32_t baud; /* 0: the line takes what it is given at once */
    uint32_t entropy;
    bool entropy_given;
};

enum nt_options_result { NT_OPTIONS_RUN, NT_OPTIONS_HELPED, NT_OPTIONS_WRONG };

/* Reads the command line against what a board can do; what is wrong is said on stderr in one line. */
enum nt_options_result nt_options_read(struct nt_options *o, const struct nt_board *board, int argc,
                                       char **argv);

#endif
