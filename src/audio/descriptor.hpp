// A file descriptor that closes itself.
#pragma once

#include <unistd.h>

#include <utility>

namespace pipebeat::audio {

class Descriptor {
 public:
  Descriptor() = default;
  explicit Descriptor(int fd) : fd_{fd} {}
  Descriptor(Descriptor&& other) noexcept : fd_{other.release()} {}
  Descriptor& operator=(Descriptor&& other) noexcept {
    if (this != &other) {
      reset();
      fd_ = other.release();
    }
    return *this;
  }
  ~Descriptor() { reset(); }

  [[nodiscard]] int get() const { return fd_; }
  [[nodiscard]] explicit operator bool() const { return fd_ >= 0; }
  int release() { return std::exchange(fd_, -1); }
  void reset() {
    if (fd_ >= 0) ::close(release());
  }

 private:
  int fd_ = -1;
};

}  // namespace pipebeat::audio
