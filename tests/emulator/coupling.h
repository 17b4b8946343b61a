/* The simulator's coupling, from the program's side: spans in, answers out. Binary, little endian; see
 * simulator/coupling.py. */
#ifndef COUPLING_H
#define COUPLING_H

#include <stdbool.h>
#include <stdint.h>

enum {
    MOST_ANALOG = 255,
    MOST = 65535,
};

struct span {
    uint32_t us;
    uint8_t n_analog;
    float volts[MOST_ANALOG];
    uint8_t inputs; /* bit 0 stop circuit closed, 1 splash guard closed, 2 fluid sufficient */
    uint16_t n_edges;
    uint32_t edge_ns[MOST];
    uint16_t n_fine;
    float fine[MOST];
    uint16_t n_received;
    uint8_t received[MOST];
};

struct answer {
    uint16_t n_sent;
    uint8_t sent[MOST];
    bool power;
    uint32_t fell_ns; /* NOT_FALLEN if it did not */
    uint16_t valve;   /* NO_VALVE before any pulse */
    bool fine;
};

#define NOT_FALLEN UINT32_C(0xFFFFFFFF)
#define NO_VALVE UINT16_C(65535)

enum order { ORDER_END, ORDER_SPAN, ORDER_RESET };

/* Keeps the standard output for the coupling; whatever else prints there goes to standard error from now on. */
void coupling_open(void);

/* Says that the program is there. */
void coupling_greet(void);

/* Waits for the simulator. A span is put into `span`, a reset's cause into `cause`. Ends the program with a message
 * where what came is no order. */
enum order coupling_next(struct span *span, uint8_t *cause);

void coupling_answer(const struct answer *answer);

#endif
