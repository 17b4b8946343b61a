#include "gather.h"

#include "bytes.h"

static void begin(struct gather *g)
{
    g->n = g->overrange = 0;
    g->end = g->frame + HEAD + SCANS_HEAD;
}

void gather_start(struct gather *g, const struct design *design)
{
    g->design = design;
    g->index = g->edges = g->last_edge = 0;
    g->flags = 0;
    begin(g);
}

bool gather_add(struct gather *g, const struct scan *scan)
{
    if (!g->n)
        put_u32(g->frame + HEAD + 1, scan->tick);
    for (uint8_t k = 0; k < g->design->n_analog; k++) {
        g->end = put_u16(g->end, (uint16_t)scan->counts[k]);
        if (at_an_end(&g->design->analog[k], scan->counts[k]))
            g->overrange = (uint8_t)(g->overrange | 1u << k);
    }
    g->edges = scan->edges;
    g->last_edge = scan->last_edge;
    return ++g->n >= BLOCK_SCANS;
}

void gather_skip(struct gather *g, uint8_t scans, uint8_t flags)
{
    g->index += scans;
    /* Displaced is said only where nothing was lost besides. */
    g->flags = g->flags ? g->flags & (uint8_t)(flags | MISSING_BEFORE) : (uint8_t)(flags | MISSING_BEFORE);
}

void gather_send(struct gather *g, uint8_t boot, uint8_t *seq)
{
    const uint8_t n = g->n;
    if (!n)
        return;
    uint8_t *at = g->frame + HEAD;
    *at = boot; /* the tick behind it was written with the first scan */
    at = put_u32(at + 5, g->index);
    put_u8(put_u8(put_u8(at, n), g->flags), g->overrange);
    at = g->end;
    if (g->design->n_pulse)
        at = put_u32(put_u32(at, g->edges), g->last_edge);
    g->flags = 0;
    if (!frame_send(g->frame, SCANS, at, seq))
        g->flags = MISSING_BEFORE;
    g->index += n;
    begin(g);
}
