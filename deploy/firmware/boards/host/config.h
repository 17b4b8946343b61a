/* Sizes of the core in the host program. */
#ifndef CONFIG_H
#define CONFIG_H

#define N_ANALOG 8u
#define N_PULSE 1u
#define BLOCK_SCANS 14u /* as many as fit into a frame with eight channels; 28 ms */
#define PIECE 100u
#define LINE_ROOM 1024u

#endif
