// Work on several things at a time, results one after the other.
#pragma once

#include <atomic>
#include <cstddef>
#include <exception>
#include <future>
#include <semaphore>
#include <thread>
#include <type_traits>
#include <utility>
#include <vector>

namespace pipebeat::cli {

/// Calls work(0) ... work(count - 1) on `jobs` threads, and take(i, result) on this one, in order.
/// No more than twice `jobs` results wait to be taken, so memory does not grow with `count`.
/// `work` must be safe to call from several threads. What either throws comes out here.
template <class Work, class Take>
void in_order(std::size_t count, std::size_t jobs, const Work& work, const Take& take) {
  if (jobs <= 1 || count <= 1) {
    for (std::size_t i = 0; i < count; ++i) take(i, work(i));
    return;
  }
  using Answer = std::invoke_result_t<Work, std::size_t>;
  std::vector<std::promise<Answer>> promises(count);
  std::vector<std::future<Answer>> answers;
  for (auto& promise : promises) answers.push_back(promise.get_future());
  std::atomic<std::size_t> next{0};
  std::counting_semaphore<> room{static_cast<std::ptrdiff_t>(2 * jobs)};
  const auto work_on = [&] {
    for (;;) {
      room.acquire();
      const std::size_t i = next++;
      if (i >= count) break;
      std::promise<Answer> promise = std::move(promises[i]);
      try {
        promise.set_value(work(i));
      } catch (...) {
        promise.set_exception(std::current_exception());
      }
    }
  };
  /// Lets the threads end, whatever happens.
  struct Ending {
    std::atomic<std::size_t>& next;
    std::counting_semaphore<>& room;
    std::size_t count, jobs;
    ~Ending() {
      next = count;
      room.release(static_cast<std::ptrdiff_t>(jobs));
    }
  };
  std::vector<std::jthread> threads;
  const Ending ending{next, room, count, jobs};
  for (std::size_t j = 0; j < jobs; ++j) threads.emplace_back(work_on);
  for (std::size_t i = 0; i < count; ++i) {
    take(i, answers[i].get());
    room.release();
  }
}

}  // namespace pipebeat::cli
