// From the sound device's thread to ours without a lock: what the callback may touch.
#pragma once

#include <atomic>
#include <boost/lockfree/spsc_queue.hpp>
#include <cstdint>
#include <span>

namespace pipebeat::audio {

/// Samples of one channel on their way from one producing to one consuming thread.
///
/// Neither side waits, allocates, locks or prints. When the consumer falls so far behind that a
/// block does not fit, what does not fit is dropped and counted.
class SampleQueue {
 public:
  /// `capacity` in samples, at least 1.
  explicit SampleQueue(std::size_t capacity) : queue_{capacity} {}

  /// Producer only.
  void push(std::span<const float> samples) noexcept {
    const std::size_t taken = queue_.push(samples.data(), samples.size());
    if (taken < samples.size()) {
      dropped_.fetch_add(static_cast<std::int64_t>(samples.size() - taken),
                         std::memory_order_relaxed);
    }
  }

  /// Consumer only: fills the front of `into`, returns how many samples.
  std::size_t pop(std::span<float> into) noexcept { return queue_.pop(into.data(), into.size()); }

  /// Consumer only: samples waiting.
  [[nodiscard]] std::size_t waiting() const { return queue_.read_available(); }

  /// Producer only: samples that fit now.
  [[nodiscard]] std::size_t room() const { return queue_.write_available(); }

  /// Samples dropped so far; any thread.
  [[nodiscard]] std::int64_t dropped() const { return dropped_.load(std::memory_order_relaxed); }

 private:
  boost::lockfree::spsc_queue<float> queue_;
  std::atomic<std::int64_t> dropped_{0};
};

}  // namespace pipebeat::audio
