/* The machine fed by a simulator in lock-step, over standard input and output.
 *
 * Binary, little endian. Program to simulator, once: 'S', version u8. Then, in any number:
 *   'A'  span_us u32, n_analog u8, n x f32 volts at the pins, inputs u8, n_edges u16, n x u32 ns after the span's start,
 *        n_fine u16, n x f32 volts of the wide shunt's pin, n_rx u16, n bytes from the host
 *        answered by 'T'  n_tx u16, n bytes to the host, power u8, power_off_ns u32, valve u16, wants_fine u8
 *   'R'  cause u8: the microcontroller is reset; not answered
 */
#ifndef COUPLING_H
#define COUPLING_H

#define COUPLING_VERSION 1u

/* Serves until standard input ends. Gives the program's exit code. */
int coupling_serve(void);

#endif
