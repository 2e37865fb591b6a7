/* The voices frames of one output that wait for their time, by time, equal times in order of arrival.
 *
 * Frames stay where they are; only a list of places is kept in order. PROTOCOL.md, section 7.
 */
#ifndef CW_QUEUE_H
#define CW_QUEUE_H

#include <stdbool.h>
#include <stdint.h>

#include "sizes.h"
#include "slots.h"

struct queued_frame {
    uint32_t apply_at;
    struct slots slots;
};

struct queue {
    struct queued_frame frames[QUEUE_FRAMES];
    uint8_t order[QUEUE_FRAMES]; /* places: first those in use, by time, then the free ones */
    uint8_t count;
};

void queue_clear(struct queue *queue);

/* The frame that is `index` places from the earliest; NULL if there are not so many. */
const struct queued_frame *queue_at(const struct queue *queue, uint8_t index);

/* False if the queue is full. */
bool queue_insert(struct queue *queue, uint32_t apply_at, const struct slots *slots);

/* Takes the earliest frame away. */
void queue_drop_first(struct queue *queue);

/* How many frames lie before `tick`: what "forget later" leaves. */
uint8_t queue_count_before(const struct queue *queue, uint32_t tick);

/* Keeps the earliest `count` frames. */
void queue_keep(struct queue *queue, uint8_t count);

#endif
