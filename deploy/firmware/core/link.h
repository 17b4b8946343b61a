/* The numbers of the stand link, version 1. drivers/link/CONTRACT.md says what each of them means. */
#ifndef LINK_H
#define LINK_H

#define PROTOCOL 1u
#define LONGEST_CONTENT 250u              /* bytes of a decoded frame with its check sum */
#define LONGEST_STUFFED 251u              /* the same on the line, without the closing zero */
#define SHORTEST_CONTENT 4u               /* type, seq, check sum */
#define LONGEST_LEASE_MS 2000u
#define FULLY_OPEN 10000u
#define LEAVE_VALVE 0xFFFFu
#define UNKNOWN_VALVE 0xFFFFu
#define LEAVE_SUPPLY 0u

enum frame_type {
    IDENTITY = 0x01, SCANS = 0x02, STATUS = 0x03, BURST = 0x04, REPLY = 0x05,
    IDENTIFY = 0x41, STREAM = 0x42, DRIVE = 0x43, LIMITS = 0x44, CAPTURE = 0x45, CLEAR = 0x46
};

enum reply_code {
    DONE = 0, UNKNOWN_TYPE = 1, BAD_VALUE = 2, TRIPPED = 3, NOT_FITTED = 4, BUSY = 5, NO_LIMITS = 6, INPUT_OPEN = 7
};

enum feature {
    SIMULATED = 1, POWER_SWITCH = 2, SETTABLE_SUPPLY = 4, VALVE_ACTUATOR = 8, VALVE_SENSOR = 16
};

enum input { STOP_CIRCUIT = 1, SPLASH_GUARD = 2, FLUID_LEVEL = 4 };

enum trip {
    NO_TRIP = 0, TRIP_LEASE = 1, TRIP_PRESSURE = 2, TRIP_CURRENT = 3, TRIP_STOP = 4, TRIP_GUARD = 5, TRIP_FLUID = 6,
    TRIP_TOO_LONG = 7, TRIP_SELF_TEST = 8, TRIP_OTHER = 9
};

enum role {
    ROLE_PRESSURE = 1, ROLE_VOLTAGE = 2, ROLE_SHUNT = 3, ROLE_TEMPERATURE = 4, ROLE_LEVEL = 5,
    ROLE_SECOND_PRESSURE = 6, ROLE_EXCITATION = 7, ROLE_AMBIENT = 8, ROLE_SHUNT_WIDE = 9, ROLE_OTHER = 255
};

enum pulse_role { PULSE_FLOW = 1, PULSE_SECOND_FLOW = 2 };

enum output { POWER_ON = 1, VALVE_MOVING = 2, STREAM_ON = 4, LIMITS_SET = 8, CAPTURING = 16 };

enum scans_flag { MISSING_BEFORE = 1, DISPLACED = 2 };

#endif
