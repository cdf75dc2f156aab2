/* How long a disk takes over requests. Pure arithmetic on given times: nothing here waits, reads or writes. */
#ifndef MECHANICS_H
#define MECHANICS_H
#include <stdint.h>

enum { READ, WRITE, FLUSH };

typedef struct disk disk;

disk *disk_new(void);
void disk_free(disk *d);
/* Set a parameter by its name; lengths in bytes, times in seconds. 0 when there is no such name. */
int disk_set(disk *d, const char *name, double value);
/* Work out the geometry, after the last disk_set. 0 when a parameter is out of range. */
int disk_ready(disk *d);
/* A request arrives. */
void disk_submit(disk *d, double now, int64_t tag, int op, double offset, double length);
/* Decide all that can be decided by a moment: what arrives later cannot change it. */
void disk_run(disk *d, double until);
/* Hand out a request that is done by a moment: its tag and when, or -1. */
int64_t disk_done(disk *d, double by, double *when);
/* When the next request is done, and when the head is free to be sent elsewhere; infinity for never. */
double disk_next(const disk *d);
double disk_turn(const disk *d);
/* Times the head or the flash had to go elsewhere, flushes with something to write included. */
double disk_accesses(const disk *d);
/* Time to move the head over so many cylinders [s]. */
double disk_seek(const disk *d, double cylinders);
double disk_cylinders(const disk *d);
#endif
