from jinja2.runtime import LoopContext, Macro, Markup, Namespace, TemplateNotFound, TemplateReference, TemplateRuntimeError, Undefined, escape, identity, internalcode, markup_join, missing, str_join
name = 'control.html'

def root(context, missing=missing, environment=environment):
    resolve = context.resolve_or_missing
    undefined = environment.undefined
    concat = environment.concat
    cond_expr_undefined = Undefined
    if 0: yield None
    parent_template = None
    l_0_pieces = l_0_hash = l_0_kind_of = missing
    pass
    parent_template = environment.get_template('page.html', 'control.html')
    for name, parent_block in parent_template.blocks.items():
        context.blocks.setdefault(name, []).append(parent_block)
    l_0_pieces = context.vars['pieces'] = environment.get_template('pieces.html', 'control.html').make_module(context.get_all(), True, {'hash': l_0_hash, 'kind_of': l_0_kind_of, 'pieces': l_0_pieces})
    context.exported_vars.discard('pieces')
    def macro(l_1_value):
        t_1 = []
        if l_1_value is missing:
            l_1_value = undefined("parameter 'value' was not provided", name='value')
        pass
        t_1.extend((
            '<span class="hash">',
            escape(environment.finalize(l_1_value)),
            '</span>',
        ))
        return concat(t_1)
    context.exported_vars.add('hash')
    context.vars['hash'] = l_0_hash = Macro(environment, macro, 'hash', ('value',), False, False, False, context.eval_ctx.autoescape)
    def macro(l_1_stage):
        t_2 = []
        if l_1_stage is missing:
            l_1_stage = undefined("parameter 'stage' was not provided", name='stage')
        pass
        t_2.append(
            escape(environment.finalize((environment.getattr(l_1_stage, 'title') or environment.getattr(l_1_stage, 'kind')))),
        )
        if environment.getattr(l_1_stage, 'title'):
            pass
            t_2.extend((
                '<span class="kind">&ensp;',
                escape(environment.finalize(environment.getattr(l_1_stage, 'kind'))),
                '</span>',
            ))
        return concat(t_2)
    context.exported_vars.add('kind_of')
    context.vars['kind_of'] = l_0_kind_of = Macro(environment, macro, 'kind_of', ('stage',), False, False, False, context.eval_ctx.autoescape)
    yield from parent_template.root_render_func(context)

def block_lead(context, missing=missing, environment=environment):
    resolve = context.resolve_or_missing
    undefined = environment.undefined
    concat = environment.concat
    cond_expr_undefined = Undefined
    if 0: yield None
    _block_vars = {}
    l_0_control = resolve('control')
    try:
        t_3 = environment.filters['join']
    except KeyError:
        @internalcode
        def t_3(*unused):
            raise TemplateRuntimeError("No filter named 'join' found.")
    try:
        t_4 = environment.filters['length']
    except KeyError:
        @internalcode
        def t_4(*unused):
            raise TemplateRuntimeError("No filter named 'length' found.")
    try:
        t_5 = environment.filters['map']
    except KeyError:
        @internalcode
        def t_5(*unused):
            raise TemplateRuntimeError("No filter named 'map' found.")
    try:
        t_6 = environment.filters['plural']
    except KeyError:
        @internalcode
        def t_6(*unused):
            raise TemplateRuntimeError("No filter named 'plural' found.")
    pass
    yield '<p class="soft">'
    yield escape(environment.finalize(t_3(context.eval_ctx, t_5(context, environment.getattr((undefined(name='control') if l_0_control is missing else l_0_control), 'decks')[:3], attribute='name'), ', ')))
    if (t_4(environment.getattr((undefined(name='control') if l_0_control is missing else l_0_control), 'decks')) > 3):
        pass
        yield ' and '
        yield escape(environment.finalize(t_6((t_4(environment.getattr((undefined(name='control') if l_0_control is missing else l_0_control), 'decks')) - 3), 'more deck')))
    yield '</p>'

def block_main(context, missing=missing, environment=environment):
    resolve = context.resolve_or_missing
    undefined = environment.undefined
    concat = environment.concat
    cond_expr_undefined = Undefined
    if 0: yield None
    _block_vars = {}
    l_0_pieces = resolve('pieces')
    l_0_sign = resolve('sign')
    l_0_says = resolve('says')
    l_0_sides = resolve('sides')
    l_0_state = resolve('state')
    l_0_todo = resolve('todo')
    l_0_summary = resolve('summary')
    l_0_code = resolve('code')
    l_0_control = resolve('control')
    l_0_fatal = resolve('fatal')
    l_0_columns = resolve('columns')
    l_0_order = resolve('order')
    l_0_stages = resolve('stages')
    l_0_asked = resolve('asked')
    l_0_cards = resolve('cards')
    l_0_shown = resolve('shown')
    try:
        t_7 = environment.filters['count']
    except KeyError:
        @internalcode
        def t_7(*unused):
            raise TemplateRuntimeError("No filter named 'count' found.")
    try:
        t_4 = environment.filters['length']
    except KeyError:
        @internalcode
        def t_4(*unused):
            raise TemplateRuntimeError("No filter named 'length' found.")
    try:
        t_8 = environment.filters['link']
    except KeyError:
        @internalcode
        def t_8(*unused):
            raise TemplateRuntimeError("No filter named 'link' found.")
    try:
        t_6 = environment.filters['plural']
    except KeyError:
        @internalcode
        def t_6(*unused):
            raise TemplateRuntimeError("No filter named 'plural' found.")
    try:
        t_9 = environment.tests['number']
    except KeyError:
        @internalcode
        def t_9(*unused):
            raise TemplateRuntimeError("No test named 'number' found.")
    pass
    yield escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'verdict'), (undefined(name='sign') if l_0_sign is missing else l_0_sign), (undefined(name='says') if l_0_says is missing else l_0_says), (undefined(name='sides') if l_0_sides is missing else l_0_sides), (undefined(name='state') if l_0_state is missing else l_0_state), _block_vars=_block_vars)))
    yield '\n\n<section class="todo"><h2>What to do now</h2>\n<ol>\n'
    for l_1_step in (undefined(name='todo') if l_0_todo is missing else l_0_todo):
        _loop_vars = {}
        pass
        yield '<li>'
        yield escape(environment.finalize(environment.getattr(l_1_step, 'before')))
        if environment.getattr(l_1_step, 'link'):
            pass
            yield '<a href="'
            yield escape(environment.finalize((environment.getattr(l_1_step, 'link') if context.call(environment.getattr(environment.getattr(l_1_step, 'link'), 'startswith'), '#', _loop_vars=_loop_vars) else t_8(environment.getattr(l_1_step, 'link')))))
            yield '">'
            yield escape(environment.finalize(environment.getattr(l_1_step, 'name')))
            yield '</a>'
        yield escape(environment.finalize(environment.getattr(l_1_step, 'after')))
        if environment.getattr(l_1_step, 'code'):
            pass
            yield ' <small class="code">'
            yield escape(environment.finalize(environment.getattr(l_1_step, 'code')))
            yield '</small>'
        yield '</li>\n'
    l_1_step = missing
    yield '</ol></section>\n\n<section class="sign-off" aria-label="Sign here">\n<p>'
    yield escape(environment.finalize((undefined(name='summary') if l_0_summary is missing else l_0_summary)))
    yield '</p>\n<div class="lines"><span>Checked by (name)</span><span>Signature</span><span>Date</span></div></section>\n\n'
    if ((undefined(name='code') if l_0_code is missing else l_0_code) and environment.getattr((undefined(name='code') if l_0_code is missing else l_0_code), 'warning')):
        pass
        template = environment.get_template('code.html', 'control.html')
        gen = template.root_render_func(template.new_context(context.get_all(), True, {}))
        try:
            for event in gen:
                yield event
        finally: gen.close()
    yield '\n'
    if environment.getattr((undefined(name='control') if l_0_control is missing else l_0_control), 'run_faults'):
        pass
        yield '<section id="run-faults"><h2>The run as a whole</h2>\n'
        def macro():
            t_10 = []
            pass
            t_10.extend((
                '<table>\n',
                escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'heads'), ['What was found', 'Stage'], (1,)))),
                '\n<tbody>\n',
            ))
            for l_2_fault in environment.getattr((undefined(name='control') if l_0_control is missing else l_0_control), 'run_faults'):
                _loop_vars = {}
                pass
                t_10.extend((
                    '<tr><td>',
                    escape(environment.finalize(environment.getattr(l_2_fault, 'sentence'))),
                    ' <small class="code">',
                    escape(environment.finalize(environment.getattr(l_2_fault, 'reason'))),
                    '</small></td>',
                    escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'number'), environment.getattr(l_2_fault, 'stage'), _loop_vars=_loop_vars))),
                    '</tr>\n',
                ))
            l_2_fault = missing
            t_10.append(
                '</tbody></table>',
            )
            return concat(t_10)
        caller = Macro(environment, macro, None, (), False, False, False, context.eval_ctx.autoescape)
        yield context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'wide'), 'The run as a whole', caller=caller, _block_vars=_block_vars)
        yield '</section>\n'
    yield '\n'
    if ((not environment.getattr((undefined(name='control') if l_0_control is missing else l_0_control), 'returned')) and (not (undefined(name='fatal') if l_0_fatal is missing else l_0_fatal))):
        pass
        yield '<section><h2>Returned cards</h2><p>No card was returned.</p></section>\n'
    else:
        pass
        yield '<section><h2>Why cards came back</h2>\n<p>'
        yield escape(environment.finalize(t_6(environment.getattr((undefined(name='control') if l_0_control is missing else l_0_control), 'returned'), 'card')))
        yield ' came back. A card may have more than one reason.</p>\n'
        yield escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'reasons'), (undefined(name='fatal') if l_0_fatal is missing else l_0_fatal), 'Why cards came back', (environment.getattr((undefined(name='control') if l_0_control is missing else l_0_control), 'returned') or 1), _block_vars=_block_vars)))
        yield '\n'
        if (undefined(name='columns') if l_0_columns is missing else l_0_columns):
            pass
            yield escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'plot'), (undefined(name='columns') if l_0_columns is missing else l_0_columns), 'Where on the card faults gather', 'columns', _block_vars=_block_vars)))
        if (undefined(name='order') if l_0_order is missing else l_0_order):
            pass
            yield escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'plot'), (undefined(name='order') if l_0_order is missing else l_0_order), 'Where in the run cards came back', 'order', _block_vars=_block_vars)))
        yield '</section>\n'
    yield '\n'
    l_1_loop = missing
    for l_1_table, l_1_loop in LoopContext(environment.getattr((undefined(name='control') if l_0_control is missing else l_0_control), 'tables'), undefined):
        _loop_vars = {}
        pass
        yield '<section><h2>'
        yield escape(environment.finalize(environment.getattr(l_1_table, 'title')))
        yield '</h2>\n'
        if environment.getattr(l_1_table, 'rows'):
            pass
            def macro():
                t_11 = []
                pass
                t_11.extend((
                    '<table>\n',
                    escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'heads'), environment.getattr(l_1_table, 'heads'), environment.getattr(l_1_table, 'numbers')))),
                    '\n<tbody>\n',
                ))
                l_3_loop = missing
                for l_3_row, l_3_loop in LoopContext(environment.getattr(l_1_table, 'rows'), undefined):
                    _loop_vars = {}
                    pass
                    t_11.append(
                        '<tr>',
                    )
                    l_4_loop = missing
                    for l_4_cell, l_4_loop in LoopContext(l_3_row, undefined):
                        _loop_vars = {}
                        pass
                        t_11.append(
                            '<td',
                        )
                        if (environment.getattr(l_4_loop, 'index0') in environment.getattr(l_1_table, 'numbers')):
                            pass
                            t_11.append(
                                ' class="n"',
                            )
                        t_11.extend((
                            '>',
                            escape(environment.finalize(l_4_cell)),
                            '</td>',
                        ))
                    l_4_loop = l_4_cell = missing
                    t_11.append(
                        '</tr>\n',
                    )
                l_3_loop = l_3_row = missing
                t_11.append(
                    '</tbody></table>',
                )
                return concat(t_11)
            caller = Macro(environment, macro, None, (), False, False, False, context.eval_ctx.autoescape)
            yield context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'wide'), environment.getattr(l_1_table, 'title'), caller=caller, _loop_vars=_loop_vars)
            if (environment.getattr(l_1_table, 'total') > t_4(environment.getattr(l_1_table, 'rows'))):
                pass
                yield '<p>'
                yield escape(environment.finalize(t_4(environment.getattr(l_1_table, 'rows'))))
                yield ' of '
                yield escape(environment.finalize(t_6(environment.getattr(l_1_table, 'total'), 'row')))
                yield '; all are in <a href="'
                yield escape(environment.finalize(t_8(markup_join(('out/', environment.getattr(l_1_table, 'file'), )))))
                yield '">'
                yield escape(environment.finalize(environment.getattr(l_1_table, 'file')))
                yield '</a>.</p>'
        else:
            pass
            yield '<p>No rows.</p>'
        yield '</section>\n'
    l_1_loop = l_1_table = missing
    yield '\n'
    if (not environment.getattr((undefined(name='control') if l_0_control is missing else l_0_control), 'outputs')):
        pass
        yield '<section><h2>Deliveries</h2><p>Nothing was delivered.</p></section>\n'
    else:
        pass
        yield '<section><h2>Deliveries</h2>\n'
        def macro():
            t_12 = []
            pass
            t_12.extend((
                '<table>\n',
                escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'heads'), ['File and SHA-256', 'Form', 'Rows', 'Bytes'], (2, 3)))),
                '\n<tbody>\n',
            ))
            for l_2_output in environment.getattr((undefined(name='control') if l_0_control is missing else l_0_control), 'outputs'):
                l_2_hash = resolve('hash')
                _loop_vars = {}
                pass
                t_12.extend((
                    '<tr><td class="file"><a href="',
                    escape(environment.finalize(t_8(markup_join(('out/', environment.getattr(l_2_output, 'file'), ))))),
                    '">',
                    escape(environment.finalize(environment.getattr(l_2_output, 'file'))),
                    '</a>',
                    escape(environment.finalize(context.call((undefined(name='hash') if l_2_hash is missing else l_2_hash), environment.getattr(l_2_output, 'sha256'), _loop_vars=_loop_vars))),
                    '</td><td>',
                    escape(environment.finalize(environment.getattr(l_2_output, 'form'))),
                    '</td>',
                    escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'number'), environment.getattr(l_2_output, 'rows'), _loop_vars=_loop_vars))),
                    escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'number'), environment.getattr(l_2_output, 'bytes'), _loop_vars=_loop_vars))),
                    '</tr>\n',
                ))
            l_2_output = l_2_hash = missing
            t_12.append(
                '</tbody></table>',
            )
            return concat(t_12)
        caller = Macro(environment, macro, None, (), False, False, False, context.eval_ctx.autoescape)
        yield context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'wide'), 'Deliveries', caller=caller, _block_vars=_block_vars)
        yield '</section>\n'
    yield '\n'
    if environment.getattr((undefined(name='control') if l_0_control is missing else l_0_control), 'files'):
        pass
        yield '<section id="files"><h2>Other files of this run</h2>\n'
        def macro():
            t_13 = []
            pass
            t_13.extend((
                '<table>\n',
                escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'heads'), ['File', 'What it holds']))),
                '\n<tbody>\n',
            ))
            for l_2_file in environment.getattr((undefined(name='control') if l_0_control is missing else l_0_control), 'files'):
                _loop_vars = {}
                pass
                t_13.extend((
                    '<tr><td class="file"><a href="',
                    escape(environment.finalize(t_8(environment.getattr(l_2_file, 'path')))),
                    '">',
                    escape(environment.finalize(environment.getattr(l_2_file, 'path'))),
                    '</a></td><td>',
                    escape(environment.finalize(environment.getattr(l_2_file, 'holds'))),
                    '</td></tr>\n',
                ))
            l_2_file = missing
            t_13.append(
                '</tbody></table>',
            )
            return concat(t_13)
        caller = Macro(environment, macro, None, (), False, False, False, context.eval_ctx.autoescape)
        yield context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'wide'), 'Other files of this run', caller=caller, _block_vars=_block_vars)
        yield '</section>\n'
    yield '\n<section><h2>Decks read</h2>\n'
    def macro():
        t_14 = []
        pass
        t_14.extend((
            '<table>\n',
            escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'heads'), ['Deck and SHA-256', 'Cards', 'Bytes'], (1, 2)))),
            '\n<tbody>\n',
        ))
        for l_2_deck in environment.getattr((undefined(name='control') if l_0_control is missing else l_0_control), 'decks'):
            l_2_hash = resolve('hash')
            _loop_vars = {}
            pass
            t_14.extend((
                '<tr><td class="file">',
                escape(environment.finalize(environment.getattr(l_2_deck, 'name'))),
                escape(environment.finalize(context.call((undefined(name='hash') if l_2_hash is missing else l_2_hash), environment.getattr(l_2_deck, 'sha256'), _loop_vars=_loop_vars))),
                '</td>',
                escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'number'), environment.getattr(l_2_deck, 'cards'), _loop_vars=_loop_vars))),
                escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'number'), environment.getattr(l_2_deck, 'bytes'), _loop_vars=_loop_vars))),
                '</tr>\n',
            ))
        l_2_deck = l_2_hash = missing
        t_14.append(
            '</tbody></table>',
        )
        return concat(t_14)
    caller = Macro(environment, macro, None, (), False, False, False, context.eval_ctx.autoescape)
    yield context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'wide'), 'Decks read', caller=caller, _block_vars=_block_vars)
    yield '</section>\n\n'
    if environment.getattr((undefined(name='control') if l_0_control is missing else l_0_control), 'named_decks'):
        pass
        yield '<section><h2>Account, deck by deck</h2>\n'
        def macro():
            t_15 = []
            pass
            t_15.extend((
                '<table>\n',
                escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'heads'), ['Deck', 'In', '= out', '+ returned', '+ left out'], (1, 2, 3, 4)))),
                '\n<tbody>\n',
            ))
            for l_2_deck in environment.getattr((undefined(name='control') if l_0_control is missing else l_0_control), 'named_decks'):
                _loop_vars = {}
                pass
                t_15.extend((
                    '<tr><td>',
                    escape(environment.finalize(environment.getattr(l_2_deck, 'name'))),
                    '</td>',
                    escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'number'), environment.getattr(l_2_deck, 'arrived'), _loop_vars=_loop_vars))),
                    escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'number'), environment.getattr(l_2_deck, 'left'), _loop_vars=_loop_vars))),
                    escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'number'), environment.getattr(l_2_deck, 'returned'), _loop_vars=_loop_vars))),
                    escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'number'), environment.getattr(l_2_deck, 'set_aside'), _loop_vars=_loop_vars))),
                    '</tr>\n',
                ))
            l_2_deck = missing
            t_15.append(
                '</tbody></table>',
            )
            return concat(t_15)
        caller = Macro(environment, macro, None, (), False, False, False, context.eval_ctx.autoescape)
        yield context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'wide'), 'Account, deck by deck', caller=caller, _block_vars=_block_vars)
        yield '</section>\n'
    yield '\n<section><h2>Account, stage by stage</h2>\n'
    def macro():
        t_16 = []
        l_1_whole = resolve('whole')
        pass
        t_16.extend((
            '<table>\n',
            escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'heads'), ['No.', 'Stage', 'In', '+ added', '= out', '+ returned', '+ left out', 'Adds up'], (2, 3, 4, 5, 6, 7)))),
            '\n<tbody>\n',
        ))
        for l_2_stage in environment.getattr((undefined(name='control') if l_0_control is missing else l_0_control), 'stages'):
            l_2_kind_of = resolve('kind_of')
            _loop_vars = {}
            pass
            t_16.extend((
                '<tr><td>',
                escape(environment.finalize(environment.getattr(l_2_stage, 'number'))),
                '</td><td>',
                escape(environment.finalize(context.call((undefined(name='kind_of') if l_2_kind_of is missing else l_2_kind_of), l_2_stage, _loop_vars=_loop_vars))),
                '</td>',
                escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'number'), environment.getattr(l_2_stage, 'arrived'), _loop_vars=_loop_vars))),
                escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'number'), environment.getattr(l_2_stage, 'added'), _loop_vars=_loop_vars))),
                escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'number'), environment.getattr(l_2_stage, 'left'), _loop_vars=_loop_vars))),
                escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'number'), environment.getattr(l_2_stage, 'returned'), _loop_vars=_loop_vars))),
                escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'number'), environment.getattr(l_2_stage, 'set_aside'), _loop_vars=_loop_vars))),
                '<td class="n">',
            ))
            if environment.getattr(l_2_stage, 'balances'):
                pass
                t_16.append(
                    'yes',
                )
            else:
                pass
                t_16.append(
                    '<b>NO</b>',
                )
            t_16.append(
                '</td></tr>\n',
            )
        l_2_stage = l_2_kind_of = missing
        t_16.append(
            '</tbody>\n',
        )
        if environment.getattr((undefined(name='control') if l_0_control is missing else l_0_control), 'stages'):
            pass
            t_16.extend((
                '<tfoot><tr><td colspan="2">The whole run</td>',
                escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'number'), environment.getattr((undefined(name='control') if l_0_control is missing else l_0_control), 'arrived')))),
                escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'number'), environment.getattr((undefined(name='control') if l_0_control is missing else l_0_control), 'added')))),
                escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'number'), environment.getattr((undefined(name='control') if l_0_control is missing else l_0_control), 'delivered')))),
                escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'number'), environment.getattr((undefined(name='control') if l_0_control is missing else l_0_control), 'returned')))),
                escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'number'), environment.getattr((undefined(name='control') if l_0_control is missing else l_0_control), 'left_out')))),
                '<td class="n">',
            ))
            if (undefined(name='whole') if l_1_whole is missing else l_1_whole):
                pass
                t_16.append(
                    'yes',
                )
            else:
                pass
                t_16.append(
                    '<b>NO</b>',
                )
            t_16.append(
                '</td></tr></tfoot>\n',
            )
        t_16.append(
            '</table>',
        )
        return concat(t_16)
    caller = Macro(environment, macro, None, (), False, False, False, context.eval_ctx.autoescape)
    yield context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'wide'), 'Account, stage by stage', caller=caller, _block_vars=_block_vars)
    yield '</section>\n\n'
    if environment.getattr((undefined(name='control') if l_0_control is missing else l_0_control), 'aside'):
        pass
        yield '<section><h2>Cards left out</h2><p>These cards are no data. They lie in the folder <code>set-aside</code>.</p>\n'
        def macro():
            t_17 = []
            pass
            t_17.extend((
                '<table>\n',
                escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'heads'), ['Cards', 'Reason', 'Stage', 'Which'], (0,)))),
                '\n<tbody>\n',
            ))
            for l_2_line in environment.getattr((undefined(name='control') if l_0_control is missing else l_0_control), 'aside'):
                _loop_vars = {}
                pass
                t_17.extend((
                    '<tr>',
                    escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'number'), environment.getattr(l_2_line, 'count'), _loop_vars=_loop_vars))),
                    '<td>',
                    escape(environment.finalize(environment.getattr(l_2_line, 'reason'))),
                    '</td><td>',
                    escape(environment.finalize(environment.getattr(l_2_line, 'stage'))),
                    '</td><td>',
                    escape(environment.finalize(environment.getattr(l_2_line, 'cards'))),
                    '</td></tr>\n',
                ))
            l_2_line = missing
            t_17.append(
                '</tbody></table>',
            )
            return concat(t_17)
        caller = Macro(environment, macro, None, (), False, False, False, context.eval_ctx.autoescape)
        yield context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'wide'), 'Cards left out', caller=caller, _block_vars=_block_vars)
        yield '</section>\n'
    yield '\n'
    if environment.getattr((undefined(name='control') if l_0_control is missing else l_0_control), 'totals'):
        pass
        yield '<section><h2>Control totals</h2>\n'
        def macro():
            t_18 = []
            pass
            t_18.extend((
                '<table>',
                escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'heads'), ['Total', 'Value'], (1,)))),
                '\n<tbody>',
            ))
            for (l_2_name, l_2_value) in environment.getattr((undefined(name='control') if l_0_control is missing else l_0_control), 'totals'):
                _loop_vars = {}
                pass
                t_18.extend((
                    '<tr><td>',
                    escape(environment.finalize(l_2_name)),
                    '</td><td class="n">',
                    escape(environment.finalize((t_7(l_2_value) if t_9(l_2_value) else l_2_value))),
                    '</td></tr>\n',
                ))
            l_2_name = l_2_value = missing
            t_18.append(
                '</tbody></table>',
            )
            return concat(t_18)
        caller = Macro(environment, macro, None, (), False, False, False, context.eval_ctx.autoescape)
        yield context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'wide'), 'Control totals', caller=caller, _block_vars=_block_vars)
        yield '</section>\n'
    yield '\n'
    if ((undefined(name='code') if l_0_code is missing else l_0_code) and (not environment.getattr((undefined(name='code') if l_0_code is missing else l_0_code), 'warning'))):
        pass
        template = environment.get_template('code.html', 'control.html')
        gen = template.root_render_func(template.new_context(context.get_all(), True, {}))
        try:
            for event in gen:
                yield event
        finally: gen.close()
    yield '\n<section><h2>What each stage did</h2>\n'
    for l_1_view in (undefined(name='stages') if l_0_stages is missing else l_0_stages):
        _loop_vars = {}
        pass
        yield '<div class="stage"><b>'
        yield escape(environment.finalize(environment.getattr(environment.getattr(l_1_view, 'stage'), 'number')))
        yield '</b><div><strong>'
        yield escape(environment.finalize((environment.getattr(environment.getattr(l_1_view, 'stage'), 'title') or environment.getattr(environment.getattr(l_1_view, 'stage'), 'kind'))))
        yield '</strong>'
        if environment.getattr(environment.getattr(l_1_view, 'stage'), 'title'):
            pass
            yield '<span class="kind">&ensp;'
            yield escape(environment.finalize(environment.getattr(environment.getattr(l_1_view, 'stage'), 'kind')))
            yield '</span>'
        if environment.getattr(l_1_view, 'proof'):
            pass
            yield '<p class="proof">'
            yield escape(environment.finalize(environment.getattr(l_1_view, 'proof')))
            if environment.getattr(l_1_view, 'digest'):
                pass
                yield ' (<code>'
                yield escape(environment.finalize(environment.getattr(l_1_view, 'digest')))
                yield '</code>)'
            yield escape(environment.finalize(environment.getattr(l_1_view, 'held')))
            yield '</p>'
        if environment.getattr(l_1_view, 'outcomes'):
            pass
            yield '<dl class="four">'
            for (l_2_number, l_2_words) in environment.getattr(l_1_view, 'outcomes'):
                _loop_vars = {}
                pass
                yield '<div><dt>'
                yield escape(environment.finalize(l_2_words))
                yield '</dt><dd class="big">'
                yield escape(environment.finalize(t_7(l_2_number)))
                yield '</dd></div>'
            l_2_number = l_2_words = missing
            yield '</dl>'
        if environment.getattr(l_1_view, 'facts'):
            pass
            yield '<dl>'
            for (l_2_name, l_2_value) in context.call(environment.getattr(environment.getattr(l_1_view, 'facts'), 'items'), _loop_vars=_loop_vars):
                _loop_vars = {}
                pass
                yield '<div><dt>'
                yield escape(environment.finalize(l_2_name))
                yield '</dt><dd>'
                yield escape(environment.finalize((t_7(l_2_value) if t_9(l_2_value) else l_2_value)))
                yield '</dd></div>'
            l_2_name = l_2_value = missing
            yield '</dl>'
        yield '</div></div>\n'
    l_1_view = missing
    yield '</section>\n\n<section><h2>Queries and notes</h2>\n'
    if (undefined(name='asked') if l_0_asked is missing else l_0_asked):
        pass
        yield '<p>These cards went on; somebody should look at them.</p>\n'
        yield escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'reasons'), (undefined(name='asked') if l_0_asked is missing else l_0_asked), 'Queries and notes', _block_vars=_block_vars)))
        yield '\n'
    else:
        pass
        yield '<p>None.</p>'
    yield '</section>\n\n'
    if (undefined(name='cards') if l_0_cards is missing else l_0_cards):
        pass
        yield '<section class="cards"><h2>Returned cards</h2>\n<p>'
        yield escape(environment.finalize((undefined(name='shown') if l_0_shown is missing else l_0_shown)))
        yield ' Hatched columns are at fault; each number below a card leads to its reason.\n'
        if environment.getattr((undefined(name='control') if l_0_control is missing else l_0_control), 'returned_page'):
            pass
            yield ' See all of them in <a href="'
            yield escape(environment.finalize(t_8(environment.getattr((undefined(name='control') if l_0_control is missing else l_0_control), 'returned_page'))))
            yield '">'
            yield escape(environment.finalize(environment.getattr((undefined(name='control') if l_0_control is missing else l_0_control), 'returned_page')))
            yield '</a>.'
        yield '</p>\n'
        for l_1_card in (undefined(name='cards') if l_0_cards is missing else l_0_cards):
            _loop_vars = {}
            pass
            yield escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'card'), l_1_card, _loop_vars=_loop_vars)))
        l_1_card = missing
        yield '</section>\n'
    yield '\n'
    if environment.getattr((undefined(name='control') if l_0_control is missing else l_0_control), 'versions'):
        pass
        yield '<section><h2>Versions</h2>\n'
        def macro():
            t_19 = []
            pass
            t_19.extend((
                '<table>',
                escape(environment.finalize(context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'heads'), ['What', 'Version']))),
                '\n<tbody>',
            ))
            for (l_2_name, l_2_value) in context.call(environment.getattr(environment.getattr((undefined(name='control') if l_0_control is missing else l_0_control), 'versions'), 'items')):
                _loop_vars = {}
                pass
                t_19.extend((
                    '<tr><td>',
                    escape(environment.finalize(l_2_name)),
                    '</td><td class="mono">',
                    escape(environment.finalize(l_2_value)),
                    '</td></tr>\n',
                ))
            l_2_name = l_2_value = missing
            t_19.append(
                '</tbody></table>',
            )
            return concat(t_19)
        caller = Macro(environment, macro, None, (), False, False, False, context.eval_ctx.autoescape)
        yield context.call(environment.getattr((undefined(name='pieces') if l_0_pieces is missing else l_0_pieces), 'wide'), 'Versions', caller=caller, _block_vars=_block_vars)
        yield '</section>\n'

blocks = {'lead': block_lead, 'main': block_main}
debug_info = '1=13&2=16&6=18&7=31&4=51&9=92&10=146&14=148&15=152&20=169&23=171&25=180&27=183&28=188&30=191&31=196&27=209&36=212&40=218&41=220&42=222&43=225&47=231&48=235&49=237&50=244&52=248&53=255&49=281&56=282&61=299&65=305&66=310&68=313&69=319&65=337&74=340&76=343&77=348&79=351&80=356&76=369&86=372&87=377&89=380&90=386&86=399&94=401&96=404&97=409&99=412&100=417&96=431&106=434&107=440&109=443&110=449&113=477&114=481&106=506&118=508&120=511&121=516&123=519&124=524&120=539&129=542&131=545&132=553&131=569&136=572&139=581&140=585&141=594&142=605&143=618&149=634&150=637&153=643&155=646&156=648&157=656&161=663&163=666&164=674&163=690'
