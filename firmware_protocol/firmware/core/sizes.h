/* How many of everything: fixed at compile time, so that memory is. */
#ifndef CW_SIZES_H
#define CW_SIZES_H

#include <stdint.h>

#define PROTOCOL_VERSION 1U
#define OUTPUTS 4U
#define SLOTS 4U         /* pulse trains of one output */
#define QUEUE_FRAMES 16U /* scheduled frames of one output */

/* Decisions of one output that may lie ahead of what has happened; a power of two. */
#define DECISIONS 4U

/* How far ahead pulses are prepared: 4 ms. Less than the shortest guard window (5 ms), so that every
 * pulse prepared and not yet started counts in every window that the next one falls in. */
#define HORIZON_TICKS UINT32_C(8000)

/* What is rarely needed is kept out of the functions that every pulse passes: an AVR would save
 * registers for it each time. */
#ifdef __GNUC__
#define SELDOM __attribute__((noinline))
#else
#define SELDOM
#endif

#define FRAME_MIN 4U
#define FRAME_MAX 128U /* type, sequence, payload and CRC */
#define ANSWER_MAX 89U /* of ours: a status is the longest */

#endif
