/* Between the files of the fuzzer: what it knows of its board, what it checks, and its knowing host. */
#ifndef CW_FUZZ_H
#define CW_FUZZ_H

#include "../core/limits.h"
#include "../core/sizes.h"
#include "host.h"

#define SECOND UINT64_C(2000000)
#define LEVELS 0xF7U /* everything closed, on, ready */

struct fuzz {
    struct cw_board *board;
    const uint8_t *data;
    size_t left;
    uint64_t tick;
    uint64_t lease[OUTPUTS]; /* the longest that it can last; 0: none */
    struct limits limits[OUTPUTS];
    bool has_limits[OUTPUTS];
    uint32_t nonce;
    uint16_t number;
    uint16_t late; /* the port may poll so much late */
};

/* fuzz.c: the next bytes of the input as a number; 0 where it has ended. */
uint32_t take(struct fuzz *fuzz, uint8_t bytes);

/* fuzz_checks.c: aborts, and says what is broken, unless it holds. */
void check(bool holds, const char *what);

uint8_t state_of(const struct fuzz *fuzz);

/* Everything that was sent and fired since the last time. */
void look(struct fuzz *fuzz);

/* No pulse was seen yet: at the start of the program, which sums do not outlive. */
void forget_pulses(void);

/* fuzz_host.c: what a host does that knows of nonces, digests and sessions. */
void prove(struct fuzz *fuzz);
void send_limits(struct fuzz *fuzz);
void arm(struct fuzz *fuzz);
void play(struct fuzz *fuzz);

#endif
