/* A file `disk` held in memory that answers at the pace of a disk, and a file `state` to look at it and to set it
   going, on a mount point of their own (libfuse's low-level interface, so that requests end out of order).

   paced MOUNTPOINT NAME=VALUE ...    parameters of the mechanics; image=FILE to begin as a copy of it, which is never
                                      changed; latency=SECONDS that a request spends between the kernel and here;
                                      held=1 to pace nothing before `pace` is written to `state` */
#define FUSE_USE_VERSION 312
#define _GNU_SOURCE
#include "mechanics.h"
#include <errno.h>
#include <fcntl.h>
#include <fuse3/fuse_lowlevel.h>
#include <math.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>
#include <time.h>
#include <unistd.h>

enum { ROOT = 1, DISK, STATE };
#define PAGE 4096
#define MOST 1024 /* requests under way */

static struct {
    disk *model;
    char *store;
    size_t size;
    double latency, started;
    int held, waiting;
    struct { fuse_req_t req; int op; size_t offset, length; } open[MOST];
    double reads, writes, flushes, read_bytes, written_bytes;
} self;

static double now(void) {
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec - self.started;
}

static void answer(int64_t tag) {
    fuse_req_t req = self.open[tag].req;
    if (self.open[tag].op == READ)
        fuse_reply_buf(req, self.store + self.open[tag].offset, self.open[tag].length);
    else if (self.open[tag].op == WRITE)
        fuse_reply_write(req, self.open[tag].length);
    else
        fuse_reply_err(req, 0);
    self.open[tag].req = NULL;
    self.waiting--;
}

static void submit(fuse_req_t req, int op, size_t offset, size_t length) {
    int64_t tag = 0;
    while (tag < MOST && self.open[tag].req) tag++;
    if (tag == MOST) {
        fuse_reply_err(req, EBUSY);
        return;
    }
    self.open[tag].req = req;
    self.open[tag].op = op;
    self.open[tag].offset = offset;
    self.open[tag].length = length;
    self.waiting++;
    self.reads += op == READ, self.writes += op == WRITE, self.flushes += op == FLUSH;
    if (op == READ) self.read_bytes += (double)length;
    if (op == WRITE) self.written_bytes += (double)length;
    if (self.held)
        answer(tag);
    else
        disk_submit(self.model, now() - self.latency, tag, op, (double)offset, (double)length);
}

static int attributes(fuse_ino_t ino, struct stat *st) {
    memset(st, 0, sizeof *st);
    st->st_ino = ino;
    st->st_mode = ino == ROOT ? S_IFDIR | 0700 : S_IFREG | 0600;
    st->st_nlink = 1;
    st->st_size = ino == DISK ? (off_t)self.size : 0;
    return ino >= ROOT && ino <= STATE;
}

static void on_lookup(fuse_req_t req, fuse_ino_t parent, const char *name) {
    struct fuse_entry_param e = {.attr_timeout = 3600, .entry_timeout = 3600};
    e.ino = parent != ROOT ? 0 : !strcmp(name, "disk") ? DISK : !strcmp(name, "state") ? STATE : 0;
    if (!e.ino || !attributes(e.ino, &e.attr))
        fuse_reply_err(req, ENOENT);
    else
        fuse_reply_entry(req, &e);
}

static void on_getattr(fuse_req_t req, fuse_ino_t ino, struct fuse_file_info *fi) {
    struct stat st;
    (void)fi;
    if (attributes(ino, &st))
        fuse_reply_attr(req, &st, 3600);
    else
        fuse_reply_err(req, ENOENT);
}

static void on_setattr(fuse_req_t req, fuse_ino_t ino, struct stat *attr, int what, struct fuse_file_info *fi) {
    (void)attr, (void)what;
    on_getattr(req, ino, fi);
}

static void on_open(fuse_req_t req, fuse_ino_t ino, struct fuse_file_info *fi) {
    fi->direct_io = 1;
    fuse_reply_open(req, fi);
    (void)ino;
}

static void on_read(fuse_req_t req, fuse_ino_t ino, size_t size, off_t offset, struct fuse_file_info *fi) {
    (void)fi;
    if (ino == STATE) {
        char text[400];
        int n = snprintf(text, sizeof text,
                         "accesses %.0f\nreads %.0f\nwrites %.0f\nflushes %.0f\nread_bytes %.0f\nwritten_bytes %.0f\n"
                         "waiting %d\npaced %d\n",
                         disk_accesses(self.model), self.reads, self.writes, self.flushes, self.read_bytes,
                         self.written_bytes, self.waiting, !self.held);
        size_t from = (size_t)offset < (size_t)n ? (size_t)offset : (size_t)n;
        fuse_reply_buf(req, text + from, (size_t)n - from < size ? (size_t)n - from : size);
        return;
    }
    size_t from = (size_t)offset < self.size ? (size_t)offset : self.size;
    submit(req, READ, from, size < self.size - from ? size : self.size - from);
}

/* A page of noughts is not written where there are noughts already: it would only take memory. */
static void put(size_t offset, const char *data, size_t length) {
    static const char noughts[PAGE];
    for (size_t done = 0; done < length;) {
        size_t part = PAGE - (offset + done) % PAGE;
        if (part > length - done) part = length - done;
        char *to = self.store + offset + done;
        if (memcmp(data + done, noughts, part) || memcmp(to, noughts, part)) memcpy(to, data + done, part);
        done += part;
    }
}

static void on_write(fuse_req_t req, fuse_ino_t ino, const char *data, size_t size, off_t offset,
                     struct fuse_file_info *fi) {
    (void)fi;
    if (ino == STATE) {
        if (size >= 4 && !memcmp(data, "pace", 4)) self.held = 0;
        fuse_reply_write(req, size);
    } else if ((size_t)offset >= self.size || size > self.size - (size_t)offset) {
        fuse_reply_err(req, ENOSPC);
    } else {
        put((size_t)offset, data, size);
        submit(req, WRITE, (size_t)offset, size);
    }
}

static void on_fsync(fuse_req_t req, fuse_ino_t ino, int datasync, struct fuse_file_info *fi) {
    (void)fi, (void)datasync;
    if (ino == DISK)
        submit(req, FLUSH, 0, 0);
    else
        fuse_reply_err(req, 0);
}

static void on_init(void *userdata, struct fuse_conn_info *conn) {
    (void)userdata;
    conn->max_background = 128;
    conn->congestion_threshold = 128;
    conn->max_write = conn->max_readahead = 1 << 20;
}

static const struct fuse_lowlevel_ops ops = {
    .init = on_init, .lookup = on_lookup, .getattr = on_getattr, .setattr = on_setattr, .open = on_open,
    .read = on_read, .write = on_write, .fsync = on_fsync,
};

static void serve(struct fuse_session *se) {
    struct pollfd fd = {fuse_session_fd(se), POLLIN, 0};
    struct fuse_buf buf = {0};
    fcntl(fd.fd, F_SETFL, fcntl(fd.fd, F_GETFL) | O_NONBLOCK);
    while (!fuse_session_exited(se)) {
        double next = fmin(disk_next(self.model), disk_turn(self.model) + self.latency), wait = next - now();
        struct timespec t = {0, 0};
        if (wait > 0 && wait < 1e6) t.tv_sec = (time_t)wait, t.tv_nsec = (long)(1e9 * (wait - floor(wait)));
        if (ppoll(&fd, 1, wait < 1e6 ? &t : NULL, NULL) < 0 && errno != EINTR) break;
        for (int got; (got = fuse_session_receive_buf(se, &buf)) > 0;) fuse_session_process_buf(se, &buf);
        double at = now(), when;
        disk_run(self.model, at - self.latency);
        for (int64_t tag; (tag = disk_done(self.model, at, &when)) >= 0;) answer(tag);
        if (fd.revents & (POLLERR | POLLHUP)) break;
    }
    free(buf.mem);
}

static int set_up(int argc, char **argv) {
    const char *image = NULL;
    self.model = disk_new();
    for (int i = 2; i < argc; i++) {
        char *value = strchr(argv[i], '=');
        if (!value) return 0;
        *value++ = 0;
        if (!strcmp(argv[i], "image"))
            image = value;
        else if (!strcmp(argv[i], "latency"))
            self.latency = atof(value);
        else if (!strcmp(argv[i], "held"))
            self.held = atoi(value);
        else if (!disk_set(self.model, argv[i], atof(value)))
            return fprintf(stderr, "no parameter %s\n", argv[i]), 0;
        else if (!strcmp(argv[i], "capacity"))
            self.size = (size_t)atof(value) / PAGE * PAGE;
    }
    if (!disk_ready(self.model)) return fprintf(stderr, "parameters out of range\n"), 0;
    self.store = mmap(NULL, self.size, PROT_READ | PROT_WRITE, MAP_PRIVATE | MAP_ANONYMOUS | MAP_NORESERVE, -1, 0);
    if (self.store == MAP_FAILED) return perror("memory"), 0;
    if (image) {
        int fd = open(image, O_RDONLY | O_CLOEXEC);
        struct stat st;
        if (fd < 0 || fstat(fd, &st)) return perror(image), 0;
        size_t length = ((size_t)st.st_size + PAGE - 1) / PAGE * PAGE;
        if (length > self.size ||
            mmap(self.store, length, PROT_READ | PROT_WRITE, MAP_PRIVATE | MAP_FIXED | MAP_NORESERVE, fd, 0) == MAP_FAILED)
            return fprintf(stderr, "%s does not fit\n", image), 0;
        close(fd);
    }
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    self.started = (double)t.tv_sec;
    return 1;
}

int main(int argc, char **argv) {
    if (argc < 2 || !set_up(argc, argv)) return 2;
    char *words[] = {argv[0], "-ofsname=paced,auto_unmount"};
    struct fuse_args args = FUSE_ARGS_INIT(1, words);
    struct fuse_session *se = fuse_session_new(&args, &ops, sizeof ops, NULL);
    if (!se || fuse_set_signal_handlers(se) || fuse_session_mount(se, argv[1])) return 1;
    serve(se);
    fuse_session_unmount(se);
    fuse_remove_signal_handlers(se);
    fuse_session_destroy(se);
    return 0;
}
