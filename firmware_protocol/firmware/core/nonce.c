/* Nonces and session numbers; see nonce.h. */
#include "nonce.h"

#include "ticks.h"

#define LIFE_TICKS (2U * TICK_HZ)

void nonces_start(struct nonces *nonces, uint32_t boot_id)
{
    nonces->boot = (uint16_t)(boot_id & 0xFFFFU);
    nonces->count = 0U;
    nonces->is_good = false;
}

uint32_t nonces_number(struct nonces *nonces)
{
    count_up(&nonces->count);
    if (nonces->count == 0U) {
        nonces->count = 1U;
    }
    return ((uint32_t)nonces->boot << 16) | nonces->count;
}

uint32_t nonces_issue(struct nonces *nonces, uint32_t now)
{
    nonces->good = nonces_number(nonces);
    nonces->issued_at = now;
    nonces->is_good = true;
    return nonces->good;
}

void nonces_pass(struct nonces *nonces, uint32_t now)
{
    if ((now - nonces->issued_at) > LIFE_TICKS) {
        nonces->is_good = false;
    }
}

bool nonces_use_up(struct nonces *nonces, uint32_t nonce, uint32_t now)
{
    bool good;

    nonces_pass(nonces, now);
    good = nonces->is_good && (nonce == nonces->good);
    nonces->is_good = false;
    return good;
}
