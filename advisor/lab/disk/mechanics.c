/* The model of Ruemmler and Wilkes (An introduction to disk drive modeling, IEEE Computer 27(3), 1994): seek curve of
   settling, square root and line; rotation; zones; track buffer with read-ahead; write cache; queueing by the shortest
   positioning time. Beside it a flash disk of parallel channels with a fast cache, and a plain one of rate and access. */
#include "mechanics.h"
#include <math.h>
#include <stddef.h>
#include <stdlib.h>
#include <string.h>

#define ZONES 24
#define SECTOR 512.0
#define SEGMENTS 32
#define EXTENTS 128       /* pieces that a write cache keeps apart (from memory: a hundred or two) */
#define REQUESTS 1024
#define CHUNK 1048576.0   /* written behind at one go, so that a read need not wait for more */
#define NEAR 8388608.0    /* of a plain disk: what lies nearer counts as sequential */
#define LONGEST 2.0       /* a request that has waited so long [s] goes first */
#define TOUCH 65536.0     /* piece of a hybrid disk that is kept in flash */
enum { PLAIN, SPINNING, FLASH };

typedef struct { double from, to; } span;
typedef struct { double from, to; uint64_t first; } extent;
typedef struct { int64_t tag; int op; double ready, offset, length; uint64_t number; } request;
typedef struct { int64_t tag; double when; } outcome;
typedef struct { double start, bytes; } zone;

struct disk {
    double kind, capacity, overhead, interface_rate, depth;
    double rate, access;
    double revolution, outer_rate, inner_rate, head_switch, heads, settle, root, knee, slope, write_settle;
    double segment, segments, write_cache, hybrid_bytes, hybrid_latency;
    double read_latency, write_latency, read_gap, write_gap, read_rate, write_rate, slow_rate, cache, recover, flush_time,
        channels;
    /* geometry */
    zone zones[ZONES + 1];
    double cylinders, per_zone;
    /* what is under way */
    request waiting[REQUESTS];
    int waiting_count;
    outcome outcomes[REQUESTS * 2];
    int outcome_count;
    uint64_t number;
    double free_at, written_by, bus_free, position, accesses;
    /* track buffer: the last segment is the one being read ahead while `ahead` is set */
    span buffer[SEGMENTS];
    int buffered, ahead;
    double ahead_ready, ahead_since, ahead_from, ahead_limit;
    extent dirty[EXTENTS];
    int dirty_count;
    double dirty_bytes;
    uint8_t *touches;
    double flash_kept;
    /* flash */
    double channel_free[256], cache_used, last_end, last_write, write_free;
    int unflushed;
};

static const struct { const char *name; size_t at; } names[] = {
#define NAME(field) {#field, offsetof(disk, field)}
    NAME(kind), NAME(capacity), NAME(overhead), NAME(interface_rate), NAME(depth), NAME(rate), NAME(access),
    NAME(revolution), NAME(outer_rate), NAME(inner_rate), NAME(head_switch), NAME(heads), NAME(settle), NAME(root),
    NAME(knee), NAME(slope), NAME(write_settle), NAME(segment), NAME(segments), NAME(write_cache), NAME(hybrid_bytes),
    NAME(hybrid_latency), NAME(read_latency), NAME(write_latency), NAME(read_gap), NAME(write_gap), NAME(read_rate),
    NAME(write_rate), NAME(slow_rate), NAME(cache), NAME(recover), NAME(flush_time), NAME(channels),
};

disk *disk_new(void) { return calloc(1, sizeof(disk)); }

void disk_free(disk *d) {
    free(d->touches);
    free(d);
}

int disk_set(disk *d, const char *name, double value) {
    for (size_t i = 0; i < sizeof names / sizeof *names; i++)
        if (!strcmp(names[i].name, name)) {
            *(double *)((char *)d + names[i].at) = value;
            return 1;
        }
    return 0;
}

int disk_ready(disk *d) {
    if (d->capacity < SECTOR || d->depth < 1) return 0;
    d->position = -1;
    if (d->kind == PLAIN) return d->rate > 0;
    if (d->kind == FLASH)
        return d->read_rate > 0 && d->write_rate > 0 && d->slow_rate > 0 && d->channels >= 1 && d->channels <= 256;
    if (d->revolution <= 0 || d->inner_rate <= 0 || d->heads < 1 || d->segments > SEGMENTS || d->interface_rate <= 0)
        return 0;
    double mean = 0;
    for (int z = 0; z < ZONES; z++) {
        double rate = d->outer_rate - (d->outer_rate - d->inner_rate) * z / (ZONES - 1);
        d->zones[z].bytes = floor(rate * (d->revolution + d->head_switch) / SECTOR) * SECTOR;
        mean += d->zones[z].bytes / ZONES;
    }
    d->per_zone = ceil(d->capacity / (mean * d->heads * ZONES));
    d->cylinders = d->per_zone * ZONES;
    for (int z = 0; z < ZONES; z++)
        d->zones[z + 1].start = d->zones[z].start + d->per_zone * d->heads * d->zones[z].bytes;
    if (d->hybrid_bytes > 0) d->touches = calloc((size_t)(d->capacity / TOUCH) + 1, 1);
    return 1;
}

/* Where a byte lies: cylinder, number of its track over the whole disk, angle [turns], bytes to a track. */
typedef struct { double cylinder, track, angle, bytes, into; } place;

static place locate(const disk *d, double offset) {
    int z = 0;
    for (int step = 16; step; step >>= 1)
        if (z + step < ZONES && offset >= d->zones[z + step].start) z += step;
    place p;
    p.bytes = d->zones[z].bytes;
    double track = floor((offset - d->zones[z].start) / p.bytes);
    p.into = offset - d->zones[z].start - track * p.bytes;
    p.track = z * d->per_zone * d->heads + track;
    p.cylinder = floor(p.track / d->heads);
    double turns = p.into / p.bytes + p.track * (d->head_switch / d->revolution);
    p.angle = turns - floor(turns);
    return p;
}

double disk_cylinders(const disk *d) { return d->cylinders; }
double disk_accesses(const disk *d) { return d->accesses; }

double disk_seek(const disk *d, double cylinders) {
    double x = fabs(cylinders) / d->cylinders;
    if (x == 0) return 0;
    return x < d->knee ? d->settle + d->root * sqrt(x) : d->settle + d->root * sqrt(d->knee) + d->slope * (x - d->knee);
}

/* Time from a moment until the head is over a byte. */
static double positioning(const disk *d, double when, double from, double to, int op) {
    place here = locate(d, from), there = locate(d, to);
    double time = disk_seek(d, here.cylinder - there.cylinder);
    if (time < d->head_switch && here.track != there.track) time = d->head_switch;
    if (op == WRITE && here.track != there.track) time += d->write_settle;
    double turns = (when + time) / d->revolution;
    double wait = there.angle - (turns - floor(turns));
    if (wait < 0) wait += 1;
    /* A rounding error is no missed turn. */
    if (wait > 1 - 1e-6) wait = 0;
    return time + wait * d->revolution;
}

/* Time under the head, switches between tracks included. */
static double passing(const disk *d, double from, double length) {
    double time = 0;
    while (length > 0) {
        place p = locate(d, from);
        double here = fmin(length, p.bytes - p.into);
        time += here / p.bytes * d->revolution;
        length -= here;
        from += here;
        if (length > 0) time += d->head_switch;
    }
    return time;
}

/* How far the read-ahead has come by a moment. */
static double ahead_at(const disk *d, double when) {
    double from = d->ahead_from;
    if (!d->ahead || when <= d->ahead_since) return from;
    double rate = locate(d, from).bytes / (d->revolution + d->head_switch);
    return fmin(fmin(from + (when - d->ahead_since) * rate, d->ahead_limit), d->capacity);
}

/* The head leaves: what was read ahead by now stays in its segment. */
static void stop_ahead(disk *d, double when) {
    if (!d->ahead) return;
    span *last = &d->buffer[d->buffered - 1];
    last->to = ahead_at(d, when);
    if (last->to - last->from > d->segment) last->from = last->to - d->segment;
    d->position = last->to;
    d->ahead = 0;
}

static void forget(disk *d, int at) {
    memmove(&d->buffer[at], &d->buffer[at + 1], sizeof(span) * (size_t)(--d->buffered - at));
}

/* What passed the head stays in the buffer: in the segment that it continues, or a new one in place of the oldest. */
static void keep(disk *d, double from, double to) {
    span kept = {from, to};
    d->position = to;
    if (d->segments < 1) return;
    for (int i = 0; i < d->buffered; i++)
        if (d->buffer[i].from <= from && d->buffer[i].to >= from) {
            kept.from = d->buffer[i].from;
            forget(d, i);
            break;
        }
    if (d->buffered >= d->segments) forget(d, 0);
    if (kept.to - kept.from > d->segment) kept.from = kept.to - d->segment;
    d->buffer[d->buffered++] = kept;
}

static void start_ahead(disk *d, double when, double from, double to) {
    keep(d, from, to);
    if (d->segments < 1) return;
    d->ahead = 1;
    d->ahead_ready = d->ahead_since = when;
    d->ahead_from = to;
    d->ahead_limit = to + d->segment / 2;
}

static void finish(disk *d, int64_t tag, double when) {
    if (tag >= 0) d->outcomes[d->outcome_count++] = (outcome){tag, when};
}

static void drop(disk *d, int at) {
    memmove(&d->waiting[at], &d->waiting[at + 1], sizeof(request) * (size_t)(--d->waiting_count - at));
}

/* Over the wire, one request at a time. */
static double transfer(disk *d, double when, double length) {
    d->bus_free = fmax(d->bus_free, when) + length / d->interface_rate;
    return d->bus_free;
}

/* A read that the buffer, the write cache or the flash of a hybrid answers without the head. */
static int without_head(disk *d, const request *r, double when) {
    double end = r->offset + r->length;
    for (int i = 0; i < d->dirty_count; i++)
        if (d->dirty[i].from <= r->offset && d->dirty[i].to >= end) goto buffered;
    for (int i = d->buffered - 1; i >= 0; i--) {
        int live = d->ahead && i == d->buffered - 1;
        if (d->buffer[i].from > r->offset || (live ? ahead_at(d, when) : d->buffer[i].to) < end) continue;
        if (live && when < d->ahead_ready) continue;
        if (live && end + d->segment / 2 > d->ahead_limit) {
            double come = ahead_at(d, when);
            if (come >= d->ahead_limit) /* it had stopped, and waits for the place to come round again */
                d->ahead_since = when + positioning(d, when, come, come, READ);
            else
                d->ahead_since = when;
            d->ahead_from = come;
            d->ahead_limit = end + d->segment / 2;
        }
        goto buffered;
    }
    if (d->touches && r->length <= TOUCH * 4) {
        int kept = 1;
        for (double at = floor(r->offset / TOUCH); at * TOUCH < end; at++) kept &= d->touches[(size_t)at] >= 2;
        if (kept) {
            finish(d, r->tag, transfer(d, when + d->hybrid_latency, r->length));
            return 1;
        }
    }
    return 0;
buffered:
    finish(d, r->tag, transfer(d, when, r->length));
    return 1;
}

/* What is read from the platters twice is worth keeping, as long as there is room. */
static void touch(disk *d, const request *r) {
    if (!d->touches || r->length > TOUCH * 4) return;
    for (double at = floor(r->offset / TOUCH); at * TOUCH < r->offset + r->length; at++) {
        uint8_t *count = &d->touches[(size_t)at];
        if (*count == 1 && d->flash_kept + TOUCH <= d->hybrid_bytes) {
            d->flash_kept += TOUCH;
            *count = 2;
        } else if (*count == 0)
            *count = 1;
    }
}

/* A write that the cache takes: joined to what it touches. */
static int take_write(disk *d, const request *r, double when) {
    /* An empty cache takes one that is larger than itself. */
    if (d->dirty_count && (d->dirty_bytes + r->length > d->write_cache || d->dirty_count >= EXTENTS)) return 0;
    extent joined = {r->offset, r->offset + r->length, r->number};
    for (int i = 0; i < d->dirty_count;)
        if (d->dirty[i].from <= joined.to && d->dirty[i].to >= joined.from) {
            joined.from = fmin(joined.from, d->dirty[i].from);
            joined.to = fmax(joined.to, d->dirty[i].to);
            if (d->dirty[i].first < joined.first) joined.first = d->dirty[i].first;
            d->dirty_bytes -= d->dirty[i].to - d->dirty[i].from;
            d->dirty[i] = d->dirty[--d->dirty_count];
        } else
            i++;
    d->dirty[d->dirty_count++] = joined;
    d->dirty_bytes += joined.to - joined.from;
    for (int i = 0; i < d->buffered; i++) /* what the buffer held of it is old */
        if (d->buffer[i].from < joined.to && d->buffer[i].to > joined.from && !(d->ahead && i == d->buffered - 1))
            forget(d, i--);
    finish(d, r->tag, transfer(d, when, r->length));
    return 1;
}

/* Flushes of which all is on the platters. */
static void end_flushes(disk *d, double when) {
    uint64_t oldest = UINT64_MAX;
    for (int i = 0; i < d->dirty_count; i++)
        if (d->dirty[i].first < oldest) oldest = d->dirty[i].first;
    for (int i = 0; i < d->waiting_count;) {
        request *r = &d->waiting[i];
        int earlier = 0;
        for (int j = 0; j < i; j++) earlier |= d->waiting[j].op == WRITE;
        if (r->op == FLUSH && oldest > r->number && !earlier) {
            finish(d, r->tag, fmax(fmax(when, r->ready), d->written_by));
            drop(d, i);
        } else
            i++;
    }
}

/* Requests that need no head, at the moment they are looked at. */
static void serve_easy(disk *d, double when) {
    for (int i = 0; i < d->waiting_count;) {
        request r = d->waiting[i];
        double at = fmax(when, r.ready);
        if ((r.op == READ && without_head(d, &r, at)) || (r.op == WRITE && d->write_cache > 0 && take_write(d, &r, at)))
            drop(d, i);
        else
            i++;
    }
    end_flushes(d, when);
}

/* A read of what is just about to be read ahead: it is waited for. */
static int is_coming(const disk *d, const request *r, double head) {
    return r->op == READ && d->ahead && d->buffer[d->buffered - 1].from <= r->offset && r->offset <= head &&
           head < d->ahead_limit;
}

/* One movement of the head at the moment it is free; 0 when there is nothing to do for it. */
static int move(disk *d, double when) {
    int best = -1, behind = -1, pressed = 0, reads = 0, seen = 0;
    double least = INFINITY, head = d->ahead ? ahead_at(d, when) : fmax(d->position, 0);
    for (int i = 0; i < d->waiting_count && seen < d->depth; i++, seen++) {
        request *r = &d->waiting[i];
        pressed |= r->op == FLUSH || (r->op == WRITE && d->write_cache > 0);
        if (r->op == FLUSH || (r->op == WRITE && d->write_cache > 0)) continue;
        reads++;
        double start = fmax(when, r->ready);
        double cost = when - r->ready > LONGEST ? -1e9 + r->ready
                      : is_coming(d, r, head)   ? 0
                                                : start - when + positioning(d, start, head, r->offset, r->op);
        if (cost < least) least = cost, best = i;
    }
    if (d->dirty_count && (!reads || pressed || d->dirty_bytes > d->write_cache / 2))
        for (int i = 0; i < d->dirty_count; i++) {
            double cost = positioning(d, when, head, d->dirty[i].from, WRITE);
            if (cost < least) least = cost, behind = i;
        }
    if (behind >= 0) {
        stop_ahead(d, when);
        extent *e = &d->dirty[behind];
        double length = fmin(e->to - e->from, CHUNK);
        d->accesses += d->position != e->from;
        d->free_at = when + positioning(d, when, head, e->from, WRITE) + passing(d, e->from, length);
        d->written_by = d->free_at;
        keep(d, e->from, e->from + length);
        e->from += length;
        d->dirty_bytes -= length;
        if (e->from >= e->to) *e = d->dirty[--d->dirty_count];
        return 1;
    }
    if (best < 0) return 0;
    request r = d->waiting[best];
    drop(d, best);
    double end = r.offset + r.length, start = fmax(when, r.ready);
    if (is_coming(d, &r, head)) {
        start = fmax(when, d->ahead_since); /* its overhead passed while the disk turned */
        d->free_at = start + passing(d, head, end - head);
        stop_ahead(d, when);
    } else {
        stop_ahead(d, when);
        d->accesses++;
        d->free_at = start + positioning(d, start, head, r.offset, r.op) + passing(d, r.offset, r.length);
        touch(d, &r);
    }
    if (r.op == READ)
        start_ahead(d, d->free_at, r.offset, end);
    else {
        keep(d, r.offset, end);
        d->written_by = d->free_at;
    }
    /* The wire is faster than the platters and works beside them. */
    finish(d, r.tag, fmax(d->free_at, transfer(d, start, r.length)));
    return 1;
}

void disk_run(disk *d, double until) {
    if (d->kind != SPINNING) return;
    while ((d->waiting_count || d->dirty_count) && d->free_at <= until) {
        serve_easy(d, d->free_at);
        if (!move(d, d->free_at)) return;
    }
}

/* Flash: latency on one of many channels, then the wire; a write into the cache while it has room. */
static void flash(disk *d, const request *r) {
    double now = r->ready, end;
    if (r->op == FLUSH) {
        end = fmax(now, d->write_free) + (d->unflushed ? d->flush_time : d->overhead);
        d->accesses += d->unflushed;
        d->unflushed = 0;
        finish(d, r->tag, end);
        return;
    }
    int best = 0;
    for (int i = 1; i < d->channels; i++)
        if (d->channel_free[i] < d->channel_free[best]) best = i;
    double start = fmax(now, d->channel_free[best]);
    int on = r->offset == d->last_end;
    d->accesses += !on;
    d->last_end = r->offset + r->length;
    if (r->op == READ) {
        double ready = start + (on ? 0 : d->read_latency);
        d->channel_free[best] = ready;
        d->bus_free = end = fmax(ready, d->bus_free) + (on ? 0 : d->read_gap) + r->length / d->read_rate;
    } else {
        d->unflushed = 1;
        d->cache_used = fmax(0, d->cache_used - fmax(0, now - d->last_write) * d->recover);
        double rate = d->cache_used + r->length <= d->cache ? d->write_rate : d->slow_rate;
        d->cache_used = fmin(d->cache_used + r->length, d->cache);
        double ready = start + (on ? 0 : d->write_latency);
        d->channel_free[best] = ready;
        d->bus_free = end = fmax(ready, d->bus_free) + (on ? 0 : d->write_gap) + r->length / rate;
        d->write_free = d->last_write = end;
    }
    finish(d, r->tag, end);
}

/* One head, a rate and an access time; nothing else. */
static void plain(disk *d, const request *r) {
    double cost = r->length / d->rate;
    if (r->op == FLUSH) {
        cost = d->unflushed ? d->access : 0;
        d->accesses += d->unflushed;
        d->unflushed = 0;
    } else {
        if (d->position < 0 || fabs(r->offset - d->position) > NEAR) {
            cost += d->access;
            d->accesses++;
            d->position = r->offset + r->length;
        } else
            d->position = fmax(d->position, r->offset + r->length);
        d->unflushed |= r->op == WRITE;
    }
    d->free_at = fmax(r->ready, d->free_at) + cost;
    finish(d, r->tag, d->free_at);
}

void disk_submit(disk *d, double now, int64_t tag, int op, double offset, double length) {
    disk_run(d, now);
    request r = {tag, op, now, offset, length, ++d->number};
    if (d->kind == PLAIN)
        plain(d, &r);
    else if (d->kind == FLASH)
        flash(d, &r);
    else {
        /* All before is decided: a head that is free has waited for this. */
        d->free_at = fmax(d->free_at, now);
        r.ready += d->overhead;
        d->waiting[d->waiting_count++] = r;
        serve_easy(d, now);
    }
}

int64_t disk_done(disk *d, double by, double *when) {
    int first = -1;
    for (int i = 0; i < d->outcome_count; i++)
        if (d->outcomes[i].when <= by && (first < 0 || d->outcomes[i].when < d->outcomes[first].when)) first = i;
    if (first < 0) return -1;
    outcome o = d->outcomes[first];
    memmove(&d->outcomes[first], &d->outcomes[first + 1], sizeof(outcome) * (size_t)(--d->outcome_count - first));
    *when = o.when;
    return o.tag;
}

double disk_next(const disk *d) {
    double next = INFINITY;
    for (int i = 0; i < d->outcome_count; i++) next = fmin(next, d->outcomes[i].when);
    return next;
}

double disk_turn(const disk *d) { return d->waiting_count || d->dirty_count ? d->free_at : INFINITY; }
