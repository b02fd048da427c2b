#include "drivers/fake_libgpiod.hpp"

#include <gpiod.h>
#include <sys/eventfd.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>

using dekeyd::test::kernel;
using dekeyd::test::KernelChip;
using dekeyd::test::KernelLine;

namespace dekeyd::test {

Kernel& kernel() {
    static Kernel only;
    return only;
}

namespace {

int failed(int error) {
    errno = error;
    return -1;
}

KernelChip* chip_at(const std::string& path) {
    const auto found = kernel().chips.find(path);
    return found == kernel().chips.end() ? nullptr : &found->second;
}

void note(const std::string& what) {
    kernel().log.push_back(what);
}

int request(KernelLine& line, unsigned offset, const std::string& how, const char* consumer) {
    if (kernel().request_error != 0) return failed(kernel().request_error);
    if (line.used) return failed(EBUSY);
    line.used = true;
    line.consumer = consumer == nullptr ? "" : consumer;
    note("request " + std::to_string(offset) + " " + how + " by " + line.consumer);
    return 0;
}

void release(KernelLine& line, unsigned offset) {
    line.used = false;
    line.consumer.clear();
    note("release " + std::to_string(offset));
}

int set(KernelLine& line, unsigned offset, bool high) {
    if (kernel().value_error != 0) return failed(kernel().value_error);
    line.high = high;
    note("set " + std::to_string(offset) + (high ? " high" : " low"));
    return 0;
}

int get(const KernelLine& line) {
    return kernel().value_error != 0 ? failed(kernel().value_error) : (line.high ? 1 : 0);
}

const char* or_null(const std::string& text) {
    return text.empty() ? nullptr : text.c_str();
}

}  // namespace
}  // namespace dekeyd::test

using namespace dekeyd::test;

#ifdef GPIOD_LINE_BULK_MAX_LINES  // the first major version

struct gpiod_line {
    KernelLine* line = nullptr;
    unsigned offset = 0;
    int event_fd = -1;
    bool requested = false;
};

struct gpiod_chip {
    KernelChip* chip = nullptr;
    std::vector<gpiod_line> lines;
};

extern "C" {

gpiod_chip* gpiod_chip_open(const char* path) {
    KernelChip* const chip = chip_at(path);
    if (chip == nullptr) {
        errno = ENOENT;
        return nullptr;
    }
    ++kernel().open_handles;
    auto* const opened = new gpiod_chip{.chip = chip, .lines = {}};
    for (unsigned offset = 0; offset < chip->lines.size(); ++offset) {
        opened->lines.push_back({.line = &chip->lines[offset], .offset = offset});
    }
    return opened;
}

void gpiod_line_release(gpiod_line* line) {
    if (!line->requested) return;
    line->requested = false;
    if (line->event_fd >= 0) ::close(line->event_fd);
    release(*line->line, line->offset);
}

void gpiod_chip_close(gpiod_chip* chip) {
    for (gpiod_line& line : chip->lines) gpiod_line_release(&line);
    --kernel().open_handles;
    delete chip;
}

const char* gpiod_chip_label(gpiod_chip* chip) {
    return chip->chip->label.c_str();
}
unsigned gpiod_chip_num_lines(gpiod_chip* chip) {
    return static_cast<unsigned>(chip->lines.size());
}
gpiod_line* gpiod_chip_get_line(gpiod_chip* chip, unsigned offset) {
    if (offset < chip->lines.size()) return &chip->lines[offset];
    errno = EINVAL;
    return nullptr;
}

const char* gpiod_line_name(gpiod_line* line) {
    return or_null(line->line->name);
}
const char* gpiod_line_consumer(gpiod_line* line) {
    return or_null(line->line->consumer);
}
bool gpiod_line_is_used(gpiod_line* line) {
    return line->line->used;
}

int gpiod_line_request(gpiod_line* line, const gpiod_line_request_config* config, int default_val) {
    std::string how = "as is";
    if (config->request_type == GPIOD_LINE_REQUEST_DIRECTION_OUTPUT)
        how = default_val != 0 ? "output high" : "output low";
    if (config->request_type == GPIOD_LINE_REQUEST_EVENT_BOTH_EDGES) how = "input edges";
    if ((config->flags & GPIOD_LINE_REQUEST_FLAG_ACTIVE_LOW) != 0) how += " active-low";
    if ((config->flags & GPIOD_LINE_REQUEST_FLAG_BIAS_PULL_UP) != 0) how += " pull-up";
    if ((config->flags & GPIOD_LINE_REQUEST_FLAG_BIAS_PULL_DOWN) != 0) how += " pull-down";
    if (request(*line->line, line->offset, how, config->consumer) != 0) return -1;
    line->requested = true;
    if (config->request_type == GPIOD_LINE_REQUEST_DIRECTION_OUTPUT) {
        line->line->high = default_val != 0;
    } else {
        line->event_fd = ::eventfd(line->line->edges.empty() ? 0 : 1, EFD_CLOEXEC | EFD_NONBLOCK);
    }
    return 0;
}

int gpiod_line_set_value(gpiod_line* line, int value) {
    return set(*line->line, line->offset, value != 0);
}
int gpiod_line_get_value(gpiod_line* line) {
    return get(*line->line);
}
int gpiod_line_event_get_fd(gpiod_line* line) {
    // The event's descriptor is ready as long as edges wait: counted anew at each question.
    if (kernel().value_error != 0 || line->event_fd < 0) return failed(EINVAL);
    eventfd_t ignored = 0;
    ::eventfd_read(line->event_fd, &ignored);
    if (!line->line->edges.empty()) ::eventfd_write(line->event_fd, 1);
    return line->event_fd;
}

int gpiod_line_event_read_fd_multiple(int fd, gpiod_line_event* events, unsigned int num_events) {
    static_cast<void>(fd);
    for (auto& [path, chip] : kernel().chips) {
        for (KernelLine& line : chip.lines) {
            if (line.edges.empty()) continue;
            const std::size_t count = std::min<std::size_t>(num_events, line.edges.size());
            for (std::size_t i = 0; i < count; ++i) {
                events[i].event_type = line.edges[i] ? GPIOD_LINE_EVENT_RISING_EDGE : GPIOD_LINE_EVENT_FALLING_EDGE;
            }
            line.edges.erase(line.edges.begin(), line.edges.begin() + static_cast<std::ptrdiff_t>(count));
            return static_cast<int>(count);
        }
    }
    return failed(EAGAIN);
}

}  // extern "C"

#else  // the second

struct gpiod_chip {
    KernelChip* chip = nullptr;
};
struct gpiod_chip_info {
    KernelChip* chip = nullptr;
};
struct gpiod_line_info {
    KernelLine line;
};
struct gpiod_line_settings {
    gpiod_line_direction direction = GPIOD_LINE_DIRECTION_AS_IS;
    gpiod_line_value value = GPIOD_LINE_VALUE_INACTIVE;
    gpiod_line_edge edge = GPIOD_LINE_EDGE_NONE;
    gpiod_line_bias bias = GPIOD_LINE_BIAS_AS_IS;
};
struct gpiod_line_config {
    unsigned offset = 0;
    gpiod_line_settings settings;
};
struct gpiod_request_config {
    std::string consumer;
};
struct gpiod_line_request {
    KernelLine* line = nullptr;
    unsigned offset = 0;
};
struct gpiod_edge_event {
    bool rising = false;
};
struct gpiod_edge_event_buffer {
    std::size_t capacity = 0;
    std::vector<gpiod_edge_event> events;
};

namespace {

template <class T>
T* lend(T value) {
    ++kernel().open_handles;
    return new T(std::move(value));
}
template <class T>
void take_back(T* handle) {
    if (handle == nullptr) return;
    --kernel().open_handles;
    delete handle;
}

}  // namespace

extern "C" {

gpiod_chip* gpiod_chip_open(const char* path) {
    KernelChip* const chip = chip_at(path);
    if (chip != nullptr) return lend(gpiod_chip{chip});
    errno = ENOENT;
    return nullptr;
}
void gpiod_chip_close(gpiod_chip* chip) {
    take_back(chip);
}
gpiod_chip_info* gpiod_chip_get_info(gpiod_chip* chip) {
    return lend(gpiod_chip_info{chip->chip});
}
void gpiod_chip_info_free(gpiod_chip_info* info) {
    take_back(info);
}
const char* gpiod_chip_info_get_label(gpiod_chip_info* info) {
    return info->chip->label.c_str();
}
size_t gpiod_chip_info_get_num_lines(gpiod_chip_info* info) {
    return info->chip->lines.size();
}
gpiod_line_info* gpiod_chip_get_line_info(gpiod_chip* chip, unsigned int offset) {
    if (offset < chip->chip->lines.size()) return lend(gpiod_line_info{chip->chip->lines[offset]});
    errno = EINVAL;
    return nullptr;
}
void gpiod_line_info_free(gpiod_line_info* info) {
    take_back(info);
}
const char* gpiod_line_info_get_name(gpiod_line_info* info) {
    return or_null(info->line.name);
}
const char* gpiod_line_info_get_consumer(gpiod_line_info* info) {
    return or_null(info->line.consumer);
}
bool gpiod_line_info_is_used(gpiod_line_info* info) {
    return info->line.used;
}

gpiod_line_settings* gpiod_line_settings_new(void) {
    return lend(gpiod_line_settings{});
}
void gpiod_line_settings_free(gpiod_line_settings* settings) {
    take_back(settings);
}
int gpiod_line_settings_set_direction(gpiod_line_settings* settings, gpiod_line_direction direction) {
    settings->direction = direction;
    return 0;
}
int gpiod_line_settings_set_output_value(gpiod_line_settings* settings, gpiod_line_value value) {
    settings->value = value;
    return 0;
}
int gpiod_line_settings_set_edge_detection(gpiod_line_settings* settings, gpiod_line_edge edge) {
    settings->edge = edge;
    return 0;
}
int gpiod_line_settings_set_bias(gpiod_line_settings* settings, gpiod_line_bias bias) {
    settings->bias = bias;
    return 0;
}

gpiod_line_config* gpiod_line_config_new(void) {
    return lend(gpiod_line_config{});
}
void gpiod_line_config_free(gpiod_line_config* config) {
    take_back(config);
}
int gpiod_line_config_add_line_settings(gpiod_line_config* config, const unsigned int* offsets, size_t num_offsets,
                                        gpiod_line_settings* settings) {
    if (num_offsets != 1) return failed(EINVAL);
    config->offset = *offsets;
    config->settings = *settings;
    return 0;
}
gpiod_request_config* gpiod_request_config_new(void) {
    return lend(gpiod_request_config{});
}
void gpiod_request_config_free(gpiod_request_config* config) {
    take_back(config);
}
void gpiod_request_config_set_consumer(gpiod_request_config* config, const char* consumer) {
    config->consumer = consumer;
}

gpiod_line_request* gpiod_chip_request_lines(gpiod_chip* chip, gpiod_request_config* req_cfg,
                                             gpiod_line_config* line_cfg) {
    const gpiod_line_settings& settings = line_cfg->settings;
    if (line_cfg->offset >= chip->chip->lines.size()) {
        errno = EINVAL;
        return nullptr;
    }
    std::string how = "as is";
    const bool high = settings.value == GPIOD_LINE_VALUE_ACTIVE;
    if (settings.direction == GPIOD_LINE_DIRECTION_OUTPUT) how = high ? "output high" : "output low";
    if (settings.direction == GPIOD_LINE_DIRECTION_INPUT) how = "input";
    if (settings.edge == GPIOD_LINE_EDGE_BOTH) how += " edges";
    if (settings.bias == GPIOD_LINE_BIAS_PULL_UP) how += " pull-up";
    if (settings.bias == GPIOD_LINE_BIAS_PULL_DOWN) how += " pull-down";
    KernelLine& line = chip->chip->lines[line_cfg->offset];
    if (request(line, line_cfg->offset, how, req_cfg->consumer.c_str()) != 0) return nullptr;
    if (settings.direction == GPIOD_LINE_DIRECTION_OUTPUT) line.high = high;
    return lend(gpiod_line_request{&line, line_cfg->offset});
}
void gpiod_line_request_release(gpiod_line_request* request) {
    if (request != nullptr) release(*request->line, request->offset);
    take_back(request);
}
int gpiod_line_request_set_value(gpiod_line_request* request, unsigned int offset, gpiod_line_value value) {
    if (offset != request->offset) return failed(EINVAL);
    return set(*request->line, offset, value == GPIOD_LINE_VALUE_ACTIVE);
}
gpiod_line_value gpiod_line_request_get_value(gpiod_line_request* request, unsigned int offset) {
    if (offset != request->offset) errno = EINVAL;
    return offset == request->offset ? static_cast<gpiod_line_value>(get(*request->line)) : GPIOD_LINE_VALUE_ERROR;
}

int gpiod_line_request_wait_edge_events(gpiod_line_request* request, int64_t timeout_ns) {
    if (timeout_ns != 0) return failed(EINVAL);  // nobody here may wait
    if (kernel().value_error != 0) return failed(kernel().value_error);
    return request->line->edges.empty() ? 0 : 1;
}
int gpiod_line_request_read_edge_events(gpiod_line_request* request, gpiod_edge_event_buffer* buffer,
                                        size_t max_events) {
    auto& edges = request->line->edges;
    const std::size_t count = std::min({max_events, buffer->capacity, edges.size()});
    buffer->events.clear();
    for (std::size_t i = 0; i < count; ++i) buffer->events.push_back({edges[i]});
    edges.erase(edges.begin(), edges.begin() + static_cast<std::ptrdiff_t>(count));
    return static_cast<int>(count);
}
gpiod_edge_event_buffer* gpiod_edge_event_buffer_new(size_t capacity) {
    return lend(gpiod_edge_event_buffer{.capacity = capacity, .events = {}});
}
void gpiod_edge_event_buffer_free(gpiod_edge_event_buffer* buffer) {
    take_back(buffer);
}
gpiod_edge_event* gpiod_edge_event_buffer_get_event(gpiod_edge_event_buffer* buffer, unsigned long index) {
    return index < buffer->events.size() ? &buffer->events[index] : nullptr;
}
gpiod_edge_event_type gpiod_edge_event_get_event_type(gpiod_edge_event* event) {
    return event->rising ? GPIOD_EDGE_EVENT_RISING_EDGE : GPIOD_EDGE_EVENT_FALLING_EDGE;
}

}  // extern "C"

#endif
