#include "audio/pipe_stream.hpp"

#include <algorithm>
#include <cerrno>
#include <cstring>

#include "audio/header_guard.hpp"

namespace pipebeat::audio {

namespace {

/// A pipe has no length; parsers that ask get one no recording reaches.
constexpr std::int64_t endless = std::int64_t{1} << 50;
/// How much is read at once, and what a header may be long where no head has been read.
constexpr std::int64_t portion = 1 << 20;
/// How much of the past is kept once the header is parsed.
constexpr std::int64_t look_back = 1 << 16;

/// read(2) that goes on after signals; 0 at the end and on trouble.
std::size_t read_some(int fd, char* to, std::size_t count) {
  for (;;) {
    const ssize_t got = ::read(fd, to, count);
    if (got >= 0) return static_cast<std::size_t>(got);
    if (errno != EINTR) return 0;
  }
}

}  // namespace

std::vector<char> read_up_to(int fd, std::vector<char> bytes, std::size_t limit, bool& ended) {
  std::size_t filled = bytes.size();
  ended = false;
  while (filled < limit && !ended) {
    bytes.resize(std::min(limit, filled + std::max<std::size_t>(filled, 1 << 16)));
    const std::size_t got = read_some(fd, bytes.data() + filled, bytes.size() - filled);
    ended = got == 0;
    filled += got;
  }
  bytes.resize(filled);
  return bytes;
}

PipeStream::PipeStream(Descriptor pipe, std::vector<char> head)
    : pipe_{std::move(pipe)}, look_ahead_{head.empty() ? portion : 0}, window_{std::move(head)} {
  hide_in_caf(window_);
}

SF_VIRTUAL_IO* PipeStream::callbacks() {
  static SF_VIRTUAL_IO io = {
      [](void*) -> sf_count_t { return endless; },
      [](sf_count_t offset, int whence, void* self) -> sf_count_t {
        return static_cast<PipeStream*>(self)->seek(offset, whence);
      },
      [](void* to, sf_count_t count, void* self) -> sf_count_t {
        return static_cast<PipeStream*>(self)->read(static_cast<char*>(to), count);
      },
      [](const void*, sf_count_t, void*) -> sf_count_t { return 0; },
      [](void* self) -> sf_count_t { return static_cast<PipeStream*>(self)->position_; }};
  return &io;
}

sf_count_t PipeStream::seek(sf_count_t offset, int whence) {
  const std::int64_t from = whence == SEEK_SET ? 0 : whence == SEEK_CUR ? position_ : endless;
  position_ = std::max<std::int64_t>(0, from + offset);
  return position_;
}

/// Makes the window reach `until`, if the pipe goes on so far and it may be seen yet.
void PipeStream::fetch(std::int64_t until) {
  const std::int64_t have = base_ + static_cast<std::int64_t>(window_.size());
  if (until <= have || ended_) return;
  if (!forgetting_ && until - have > look_ahead_) return;
  std::int64_t filled = have;
  while (filled < until && !ended_) {
    const std::size_t offset = window_.size();
    const std::size_t want =
        static_cast<std::size_t>(std::min<std::int64_t>(until - filled, portion));
    window_.resize(offset + want);
    const std::size_t got = read_some(pipe_.get(), window_.data() + offset, want);
    window_.resize(offset + got);
    ended_ = got == 0;
    filled += static_cast<std::int64_t>(got);
    if (forgetting_) {
      const std::int64_t keep_from = std::min(position_, filled) - look_back;
      if (keep_from - base_ > portion) {
        window_.erase(window_.begin(), window_.begin() + (keep_from - base_));
        base_ = keep_from;
      }
    }
  }
}

sf_count_t PipeStream::read(char* to, sf_count_t count) {
  if (count <= 0 || position_ < base_) return 0;
  fetch(position_ + count);
  const std::int64_t end = base_ + static_cast<std::int64_t>(window_.size());
  const std::int64_t take = std::clamp<std::int64_t>(end - position_, 0, count);
  if (take > 0) {
    std::memcpy(to, window_.data() + (position_ - base_), static_cast<std::size_t>(take));
  }
  position_ += take;
  // A parser that stands beyond the end asks where it is, to know that it may stop: it would go
  // over the last bytes again and again.
  if (take == 0 && !forgetting_) position_ = endless;
  return take;
}

}  // namespace pipebeat::audio
