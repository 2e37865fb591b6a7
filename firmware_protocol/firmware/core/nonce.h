/* Nonces and session numbers, from one count (PROTOCOL.md, section 6). Only the last nonce issued is
 * ever good: for 2 s, for one arm or one reset, whether that succeeds or not. Called by setup.c. */
#ifndef CW_NONCE_H
#define CW_NONCE_H

#include <stdbool.h>
#include <stdint.h>

struct nonces {
    uint32_t good;
    uint32_t issued_at;
    uint16_t boot;
    uint16_t count;
    bool is_good;
};

void nonces_start(struct nonces *nonces, uint32_t boot_id);

/* The next number of the count: 1 to 65,535, then 1 again; the boot in its upper half. */
uint32_t nonces_number(struct nonces *nonces);

/* A fresh nonce at `now`; the one before is good no more. */
uint32_t nonces_issue(struct nonces *nonces, uint32_t now);

/* True if `nonce` is good at `now`. None is good after this. */
bool nonces_use_up(struct nonces *nonces, uint32_t nonce, uint32_t now);

/* Time passes; at least every minute. */
void nonces_pass(struct nonces *nonces, uint32_t now);

#endif
