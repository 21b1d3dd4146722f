-- Sends the bodies of a file in turn, each for a patient never sent before, and counts the
-- answers by status. Arguments: the file (a body a line), the first serial, the mark in the
-- bodies whose place a serial takes.

local threads = {}

function setup(thread)
  thread:set("number", #threads)
  table.insert(threads, thread)
end

function init(args)
  local file, mark = args[1], args[3]
  serial = tonumber(args[2]) + number * 10000000
  statuses, unexplained, requests, turn = {}, 0, {}, 0
  local headers = { ["Content-Type"] = "application/fhir+json", ["Accept"] = "application/fhir+json" }
  for body in io.lines(file) do
    table.insert(requests, split(wrk.format("POST", nil, headers, body), mark))
  end
end

function split(text, mark) -- pieces with a place to put the serial between each two
  local pieces, start = {}, 1
  while true do
    local first, last = string.find(text, mark, start, true)
    if not first then break end
    table.insert(pieces, string.sub(text, start, first - 1))
    start = last + 1
  end
  table.insert(pieces, string.sub(text, start))
  return pieces
end

function request()
  turn = turn % #requests + 1
  serial = serial + 1
  return table.concat(requests[turn], string.format("%08d", serial))
end

function response(status, headers) -- a deliberate refusal says when to come back
  statuses[status] = (statuses[status] or 0) + 1
  if status ~= 200 and not headers["retry-after"] then unexplained = unexplained + 1 end
end

function done(summary, latency)
  local parts = {}
  for _, thread in ipairs(threads) do
    for status, times in pairs(thread:get("statuses")) do
      table.insert(parts, string.format("status %d %d", status, times))
    end
    table.insert(parts, string.format("error unexplained %d", thread:get("unexplained")))
  end
  for _, kind in ipairs({ "connect", "read", "write", "timeout" }) do
    table.insert(parts, string.format("error %s %d", kind, summary.errors[kind]))
  end
  table.insert(parts, string.format("lasted %d 0", summary.duration))
  for i = 1, #latency do
    local microseconds, times = latency(i)
    table.insert(parts, string.format("took %d %d", microseconds, times))
  end
  io.write("\n", table.concat(parts, "\n"), "\n")
end
