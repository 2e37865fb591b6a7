/* The queue of scheduled frames; see queue.h. */
#include "queue.h"

#include <stddef.h>

#include "ticks.h"

void queue_clear(struct queue *queue)
{
    for (uint8_t i = 0U; i < QUEUE_FRAMES; i++) {
        queue->order[i] = i;
    }
    queue->count = 0U;
}

const struct queued_frame *queue_at(const struct queue *queue, uint8_t index)
{
    return (index < queue->count) ? &queue->frames[queue->order[index]] : NULL;
}

bool queue_insert(struct queue *queue, uint32_t apply_at, const struct slots *slots)
{
    uint8_t place;
    uint8_t at = queue->count;

    if (queue->count >= QUEUE_FRAMES) {
        return false;
    }
    place = queue->order[at];
    while ((at > 0U) && is_before(apply_at, queue->frames[queue->order[at - 1U]].apply_at)) {
        queue->order[at] = queue->order[at - 1U];
        at--;
    }
    queue->order[at] = place;
    queue->frames[place].apply_at = apply_at;
    queue->frames[place].slots = *slots;
    queue->count++;
    return true;
}

void queue_drop_first(struct queue *queue)
{
    if (queue->count > 0U) {
        uint8_t place = queue->order[0];
        queue->count--;
        for (uint8_t i = 0U; i < queue->count; i++) {
            queue->order[i] = queue->order[i + 1U];
        }
        queue->order[queue->count] = place;
    }
}

uint8_t queue_count_before(const struct queue *queue, uint32_t tick)
{
    uint8_t count = 0U;

    while ((count < queue->count) &&
           is_before(queue->frames[queue->order[count]].apply_at, tick)) {
        count++;
    }
    return count;
}

void queue_keep(struct queue *queue, uint8_t count)
{
    if (count < queue->count) {
        queue->count = count;
    }
}
